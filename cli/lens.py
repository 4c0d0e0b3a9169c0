"""`bayfix lens`: calibrate a camera from photos of a board. `bayfix lens-file`: convert lens files."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command, talk
from cli.progress import progress_bars
from cli.table import table

if TYPE_CHECKING:
    from vision.boards import BoardSet
    from vision.camera import LensProfile
    from vision.lens import LensFit
    from vision.photos import PhotoMeta

PhotoArgs = Annotated[list[Path], typer.Argument(help="Photos of the lens board, or folders of them.", metavar="PHOTOS")]
BoardName = Annotated[str, typer.Option("--board", help="Board in the photos (the lens board by default).", metavar="NAME")]
BoardsFile = Annotated[Path | None, typer.Option("--boards", help="Board file (the starter set by default).", metavar="FILE")]
Chessboard = Annotated[
    str, typer.Option("--chessboard", help="A plain chessboard instead: inner corners along both sides.", metavar="9x6")
]
Square = Annotated[
    float, typer.Option("--square", help="Side of the plain chessboard's squares, mm.", metavar="MM", show_default=False)
]
Focus = Annotated[
    str, typer.Option("--focus", help="auto when the camera focuses anew for every photo.", metavar="locked|auto")
]
Out = Annotated[
    Path, typer.Option("--out", help="Lens profile to write; the coverage picture goes beside it.", metavar="NAME.lens.toml")
]
ADVICE = (
    "About 12 photos from different sides, boards tilted by 20 to 45 degrees and in every part of the picture, some with the "
    "camera turned by 90 degrees, at the bay's distance. Phone: the 1x lens, no zoom, focus and exposure locked, stabilisation "
    "and HDR off. Webcam: autofocus off. Use the original files."
)


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("lens", epilog=ADVICE)(lens)
    app.command("lens-file")(lens_file)


@shop_command
def lens(
    photos: PhotoArgs,
    board: BoardName = "",
    boards: BoardsFile = None,
    chessboard: Chessboard = "",
    square: Square = 0.0,
    focus: Focus = "locked",
    out: Out = Path("camera.lens.toml"),
    json: Json = False,
) -> Exit:
    """Calibrate a camera from photos of a printed board and write its lens profile."""
    from vision.camera_io import write_profile
    from vision.lens import fit_lens
    from vision.lens_advice import advice
    from vision.lens_photos import look, one_camera, photo_paths
    from vision.lens_picture import coverage_png
    from vision.toml_io import write_file

    if focus not in ("locked", "auto"):
        raise typer.BadParameter("locked or auto", param_hint="--focus")
    _refuse_unknown_ending(out)
    wanted = _boards(board, boards, chessboard, square)
    paths = photo_paths(photos)
    with progress_bars({"photos": len(paths)}) as tick:
        seen = look(paths, wanted, lambda name: tick("photos", name))
    meta = one_camera(seen)
    fit = fit_lens([s for photo in seen for s in photo.sightings], wanted, focus=focus)
    sentences = [f"{photo.name} is left out: {photo.fault}" for photo in seen if photo.fault]
    sentences += advice(fit, wanted)
    write_profile(out, _profile(fit, meta, out), _notes(fit, sentences))
    picture = _picture_path(out)
    write_file(picture, coverage_png(fit, f"Lens of {_camera_name(meta)}"))
    faults = {photo.name: photo.fault for photo in seen if photo.fault}
    document = _document(fit, [photo.name for photo in seen], faults, sentences)
    if json:
        print_json(document)
    else:
        typer.echo(_text(document, fit))
    talk(f"wrote {out} and {picture}")
    return DONE


@shop_command
def lens_file(
    source: Annotated[Path, typer.Argument(help="Lens file to read.", metavar="FROM")],
    target: Annotated[Path, typer.Argument(help="Lens file to write; its ending names the format.", metavar="TO")],
    json: Json = False,
) -> Exit:
    """Convert a lens file: .lens.toml (bayfix), .xml or .yml (OpenCV), .yaml (ROS camera_info)."""
    from dataclasses import replace

    from vision.camera_io import profile_name, read_lens, write_profile

    held = read_lens(source)
    write_profile(target, replace(held.profile, name=profile_name(target)), held.notes)
    remarks = list(held.notes.remarks)
    if target.suffix.lower() != ".toml" and source.suffix.lower() == ".toml":
        remarks.append(f"{target.name} holds the camera only: its uncertainty, wobble and focus stay in {source.name}")
    for remark in remarks:
        talk(remark)
    if json:
        print_json({"file": target.as_posix(), "remarks": remarks})
    talk(f"wrote {target}")
    return DONE


def _refuse_unknown_ending(out: Path) -> None:
    from vision.camera_io import ENDING

    if not out.name.endswith(ENDING):
        raise typer.BadParameter(f"must end in {ENDING}", param_hint="--out")


def _boards(board: str, boards: Path | None, chessboard: str, square: float) -> BoardSet:
    from dataclasses import replace

    from vision.boards import Board, BoardSet
    from vision.boards_io import read_boards, starter_boards
    from vision.errors import BoardError

    if chessboard:
        size = re.fullmatch(r"(\d+)[xX](\d+)", chessboard.strip())
        if not size or board or boards:
            raise typer.BadParameter("9x6, for example; without --board and --boards", param_hint="--chessboard")
        if not square > 0:
            raise typer.BadParameter("the side of a square in mm is needed with --chessboard", param_hint="--square")
        return BoardSet((Board("chessboard", int(size[1]), int(size[2]), square),))
    if boards is None and not board:
        small, large = (starter_boards(variant)["lens-1"] for variant in ("a4", "a3"))
        return BoardSet((small, replace(large, name="lens-1-a3")))
    known = read_boards(boards) if boards else starter_boards("a4")
    if board:
        return BoardSet((known[board],))
    chosen = tuple(b for b in known if b.name.startswith("lens") or not b.is_charuco)
    if not chosen:
        raise BoardError(f"{boards}: no board is called lens-…", hint="name the board in the photos with --board NAME")
    return BoardSet(chosen)


def _profile(fit: LensFit, meta: PhotoMeta, out: Path) -> LensProfile:
    import datetime

    from vision.camera import LensProfile
    from vision.camera_io import profile_name

    return LensProfile(
        name=profile_name(out),
        camera=fit.camera,
        cov=fit.cov,
        focus=fit.focus,
        wobble=fit.wobble,
        make=meta.make,
        model=meta.model,
        focal_length_mm=meta.focal_length_mm,
        device=meta.device,
        date=datetime.date.today().isoformat(),
    )


def _notes(fit: LensFit, sentences: list[str]) -> Any:
    from vision.camera_io import LensNotes

    return LensNotes(fit.rms_px, fit.holdout_rms_px, fit.photos, tuple(fit.bend_mm), tuple(sentences))


def _picture_path(out: Path) -> Path:
    from vision.camera_io import ENDING

    return out.with_name(out.name[: -len(ENDING)] + ".coverage.png")


def _camera_name(meta: PhotoMeta) -> str:
    return meta.device or " ".join(f"{meta.make} {meta.model}".split()) or "the camera"


def _document(fit: LensFit, names: list[str], faults: dict[str, str], sentences: list[str]) -> dict[str, Any]:
    """The machine-readable result (issue: "Machine-readable output")."""
    from vision.camera import DISTORTION_NAMES

    refused = fit.refused | faults
    sigma = [float(value) for value in fit.sigma()]
    intrinsic = ("fx_px", "fy_px", "cx_px", "cy_px")
    camera: dict[str, Any] = {name: float(getattr(fit.camera, name)) for name in intrinsic}
    camera["distortion"] = dict(zip(DISTORTION_NAMES, map(float, fit.camera.distortion), strict=True))
    camera["sigma"] = dict(zip(intrinsic, sigma[:4], strict=True)) | {
        "distortion": dict(zip(DISTORTION_NAMES, sigma[4:], strict=True))
    }
    camera |= {"width_px": fit.camera.width_px, "height_px": fit.camera.height_px, "model": list(fit.distortion)}
    return {
        "rms_px": fit.rms_px,
        "holdout_rms_px": fit.holdout_rms_px,
        "photos_used": len(fit.photos),
        "photos": [_photo_row(fit, name, refused) for name in names],
        "camera": camera,
        "focus": fit.focus,
        "wobble": {"focal_percent": fit.wobble.focal_percent, "centre_px": fit.wobble.centre_px},
        "warp_px": fit.warp_px,
        "print_mm": fit.print_mm,
        "candidates": [{"distortion": list(model), "holdout_rms_px": rms} for model, rms in fit.candidates],
        "advice": sentences,
    }


def _photo_row(fit: LensFit, name: str, refused: dict[str, str]) -> dict[str, Any]:
    if name in refused:
        return {"name": name, "boards": [], "corners": 0, "refused": refused[name]}
    views = [view for view in fit.views if view.photo == name]
    corners = sum(len(view.px) for view in views)
    rms = (sum(view.rms_px**2 * len(view.px) for view in views) / corners) ** 0.5
    row = {"name": name, "boards": [view.board for view in views], "corners": corners, "rms_px": rms}
    return row | {"dropped_corners": sum(view.dropped for view in views)}


def _text(document: dict[str, Any], fit: LensFit) -> str:
    rows = [
        [row["name"], str(row["corners"]), f"{row['rms_px']:.3f}" if "rms_px" in row else "not used: " + row["refused"]]
        for row in document["photos"]
    ]
    camera, sigma = document["camera"], document["camera"]["sigma"]
    values = [[name, f"{camera[name]:.2f}", f"{2 * sigma[name]:.2f}"] for name in ("fx_px", "fy_px", "cx_px", "cy_px")]
    shown = [k for k, s in sigma["distortion"].items() if s > 0]
    values += [[k, f"{camera['distortion'][k]:.5f}", f"{2 * sigma['distortion'][k]:.5f}"] for k in shown]
    lines = [
        table(["photo", "corners", "rms_px"], rows, right=[1]),
        "",
        table(["camera", "value", "U (k = 2)"], values, right=[1, 2]),
        "",
        f"{document['photos_used']} photos used; corners fit to {fit.rms_px:.3f} px, photos left out are predicted to "
        f"{fit.holdout_rms_px:.3f} px; distortion: {' '.join(fit.distortion) or 'none'}",
        f"focus {fit.focus}; wobble from photo to photo (k = 1): focal length {fit.wobble.focal_percent:.2f} %, "
        f"centre {fit.wobble.centre_px:.1f} px",
    ]
    lines += [f"- {sentence}" for sentence in document["advice"]]
    return "\n".join(lines)
