"""`bayfix shoot`: take the pictures of one epoch with a webcam, alone and with gloves on."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command, talk

if TYPE_CHECKING:
    from cli.viewfinder import Viewfinder
    from vision.capture import Retake, Taken
    from vision.webcam import Camera

EVERY_WITHOUT_WINDOW_S = 5.0
RETRY_S = 2.0
BELL = "\a"


def register(app: typer.Typer) -> None:
    app.command("shoot")(shoot)


@shop_command
def shoot(
    job: JobDir,
    epoch: Annotated[str, typer.Argument(help="roll-1, …, rest, check-1, …, touch-NAME, teach or lens.", metavar="EPOCH")],
    camera: Annotated[str, typer.Option(help="Number of the camera (0 is the first), device or stream.", metavar="N")] = "0",
    every: Annotated[
        float, typer.Option(help="Take one every so many seconds, with a beep; 0: on a key press.", metavar="SECONDS", min=0.0)
    ] = 0.0,
    count: Annotated[int, typer.Option(help="Stop after so many pictures; 0: until you stop.", min=0)] = 0,
    size: Annotated[str, typer.Option(help="Picture size, as in the lens profile.", metavar="WxH")] = "1920x1080",
    name: Annotated[str, typer.Option(help="What to call the camera, so that its lens profile is known again.")] = "",
    focus: Annotated[float | None, typer.Option(help="Fix the focus at this value of the driver.")] = None,
    exposure: Annotated[float | None, typer.Option(help="Fix the exposure at this value of the driver.")] = None,
    window: Annotated[bool, typer.Option(help="Show what the camera sees, where there is a display.")] = True,
    as_json: Json = False,
) -> Exit:
    """Take pictures with a webcam into the job folder: space takes one, q stops. Blurred ones are not kept."""
    from cli.viewfinder import open_viewfinder
    from vision import webcam
    from vision.capture import epoch_folder

    folder = epoch_folder(job, epoch)
    width_px, height_px = _size(size)
    talk("starting the camera ...")
    source = webcam.open_webcam(camera, width_px, height_px, name=name, focus=focus, exposure=exposure)
    try:
        talk(f"{source.device}: {source.mode}")
        for line in _remarks(source):
            talk(line)
        with open_viewfinder(f"bayfix shoot {epoch}", window) as finder:
            pause_s = every or (0.0 if finder.has_keys else EVERY_WITHOUT_WINDOW_S)
            talk(_how_to(finder.has_keys, pause_s))
            taken, retakes = _session(source, finder, folder, pause_s, count)
    finally:
        source.close()
    if as_json:
        mode = {"mode": str(source.mode), "focus": source.mode.focus_state, "exposure": source.mode.exposure_state}
        photos = [{"name": shot.path.name, "blur_px": round(shot.blur_px, 2)} for shot in taken]
        print_json({"folder": folder.as_posix(), "device": source.device, **mode, "photos": photos, "retakes": retakes})
        return DONE
    typer.echo(f"{len(taken)} pictures in {folder}")
    return DONE


def _session(camera: Camera, finder: Viewfinder, folder: Path, pause_s: float, count: int) -> tuple[list[Taken], int]:
    """Take pictures until the count is full, the person stops, or Ctrl-C: what was taken stays."""
    from vision.capture import Retake, take

    taken: list[Taken] = []
    retakes = 0
    due = time.monotonic() + pause_s
    message = ""
    try:
        while not (count and len(taken) >= count):
            left_s = due - time.monotonic() if pause_s else 0.0
            wish = finder.show(camera.read(), len(taken), left_s, message)
            if wish == "stop":
                break
            if wish != "take" and not (pause_s and left_s <= 0.0):
                continue
            talk_now(BELL)
            outcome = take(camera, folder, taken)
            if isinstance(outcome, Retake):
                retakes += 1
            else:
                taken.append(outcome)
            message = _words(outcome)
            talk(message)
            due = time.monotonic() + (min(RETRY_S, pause_s) if isinstance(outcome, Retake) else pause_s)
    except KeyboardInterrupt:
        talk("stopped by hand; the pictures taken so far are kept")
    return taken, retakes


def talk_now(text: str) -> None:
    typer.echo(text, err=True, nl=False)


def _words(outcome: Taken | Retake) -> str:
    from vision.capture import Retake

    if isinstance(outcome, Retake):
        return f"{BELL}again: {outcome.reason}"
    return f"{outcome.path.name}  sharp (edges {outcome.blur_px:.1f} px)"


def _how_to(keys: bool, pause_s: float) -> str:
    timer = f"a picture every {pause_s:g} s, after the beep; two beeps: not kept, stay where you are" if pause_s else ""
    if keys:
        return "space, Enter or a click in the window takes a picture, q stops" + (f"; {timer}" if timer else "")
    return f"{timer}; Ctrl-C stops"


def _remarks(camera: Camera) -> list[str]:
    """What the driver did not let us fix, and what that means."""
    out = []
    if camera.mode.focus_state == "auto":
        out.append(
            "the driver keeps autofocus on: the lens changes from picture to picture; switch it off in the camera's program"
        )
    if camera.mode.focus_state == "not known":
        out.append("the driver does not say whether the focus is fixed: a camera with a fixed lens is fine")
    if camera.mode.exposure_state != "locked":
        out.append("the driver does not fix the exposure: keep the light even")
    return out


def _size(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{2,5})[xX×](\d{2,5})", text)
    if match is None:
        raise typer.BadParameter(f"{text!r} is no size: write it as 1920x1080", param_hint="--size")
    return int(match[1]), int(match[2])
