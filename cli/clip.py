"""`bayfix clip`: sharp frames of a video of the rolling car become roll epochs of one photo each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command

if TYPE_CHECKING:
    from vision.clip import ChosenFrame, Clip

DEVICE = "clip"
FRAMES = 12


def register(app: typer.Typer) -> None:
    app.command("clip")(clip)


@shop_command
def clip(
    job: JobDir,
    video: Annotated[Path, typer.Argument(metavar="VIDEO", help="Video file as the camera wrote it.")],
    frames: Annotated[int, typer.Option("--frames", min=3, max=40, help="How many frames to take.")] = FRAMES,
    device: Annotated[str, typer.Option("--device", help="Name of the camera, as in its lens profile.")] = DEVICE,
    lens: Annotated[bool, typer.Option("--lens", help="A clip of the lens board: frames for its own lens profile.")] = False,
    as_json: Json = False,
) -> Exit:
    """Take sharp frames out of a clip filmed while the car is rolled slowly: each becomes a roll epoch of one photo."""
    from vision.clip import choose, read_clip

    home = _need_job(job)
    seen = read_clip(video)
    if not lens:
        _need_profile(job, seen, device)
    chosen, told = choose(seen, frames)
    rows = _write(home, seen, chosen, device, lens=lens)
    if as_json:
        print_json({"schema": "clip/1", "frames": rows, "left_out": told})
        return DONE
    for row in rows:
        typer.echo(f"{row['photo']}  frame {row['frame']}, edges {row['blur_px']:.1f} px")
    for words in told:
        typer.echo(f"note: {words}")
    if not lens:
        typer.echo("film the other side of the car the same way, then photograph rest, and run: bayfix survey")
    return DONE


def _need_job(job: Path) -> Path:
    from vision.errors import FileError

    if not job.is_dir():
        raise FileError(f"{job}: no such job folder", hint=f"make one: bayfix job new {job}")
    return job


def _need_profile(job: Path, seen: Clip, device: str) -> None:
    """Refuse a clip that no lens profile of the job is for: a camera films with another part of its sensor than in photos."""
    from cli import stations
    from vision.errors import MeasurementError

    desk = stations.open_desk(job, stations.Overrides())
    for profile in desk.profiles.values():
        size = (profile.camera.width_px, profile.camera.height_px)
        if size == (seen.width_px, seen.height_px) and profile.device in ("", device) and not (profile.make or profile.model):
            return
    raise MeasurementError(
        f"{seen.path}: no lens profile of this job is for clips of {seen.width_px}x{seen.height_px} px by {device!r}",
        hint=f"film the lens board with the same camera, then: bayfix clip {job} LENS-CLIP --lens --frames 20, and "
        f"bayfix lens {job / 'lens'} --boards boards.toml; name the profile under lens in job.toml",
    )


def _write(home: Path, seen: Clip, chosen: list[ChosenFrame], device: str, *, lens: bool) -> list[dict[str, Any]]:
    from vision.clip import write_frame

    rows = []
    first = 1 if lens else _next_roll(home / "photos")
    for i, frame in enumerate(chosen):
        folder = home / "lens" if lens else home / "photos" / f"roll-{first + i}"
        path = folder / f"{seen.path.stem}-{frame.number:05d}.png"
        folder.mkdir(parents=True, exist_ok=True)
        write_frame(frame, seen, path, device)
        photo = path.relative_to(home).as_posix()
        rows.append({"photo": photo, "frame": frame.number, "blur_px": round(frame.blur_px, 2)})
    return rows


def _next_roll(photos: Path) -> int:
    """The first number after all roll epochs that have a folder."""
    names = [entry.name.removeprefix("roll-") for entry in photos.glob("roll-*")] if photos.is_dir() else []
    return max((int(name) for name in names if name.isdigit()), default=0) + 1
