"""`bayfix demo`: render an invented bay, run the commands a user runs on its photos, compare with the truth."""

from __future__ import annotations

import contextlib
import io
import json
import sys
import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command

DEFAULT_OUT = Path("bayfix-demo")
MARK = ".bayfix-demo"
FIGURES = (
    "thrust_angle_deg",
    "rear_total_toe_deg",
    "rear_toe_left_deg",
    "rear_toe_right_deg",
    "front_total_toe_deg",
    "distance_mm",
    "lateral_mm",
    "height_mm",
    "yaw_deg",
    "pitch_deg",
    "roll_deg",
)


NEW_IN_VEHICLE = ("floor", "whole car", "tyres")


class Paper(StrEnum):
    """Paper of the demo's wheel, stand and lens boards."""

    A4 = "a4"
    A3 = "a3"


def register(app: typer.Typer) -> None:
    app.command("demo")(demo)


@shop_command
def demo(
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the demo's job; kept, so that every command can be tried on it.")
    ] = DEFAULT_OUT,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another seed, another bay.")] = 1,
    variant: Annotated[Paper, typer.Option("--variant", help="Starter boards the demo prints.")] = Paper.A4,
    megapixels: Annotated[int, typer.Option("--megapixels", help="2 (1920x1080) or 12 (4000x3000).")] = 2,
    course: Annotated[
        bool, typer.Option("--course", help="Instead: the placements of one sheet in turn, mistakes on the way.")
    ] = False,
    as_json: Json = False,
) -> Exit:
    """Render an invented bay, measure it with the commands a user runs, and compare with the truth. No hardware needed."""
    from cli.demo_bay import invent

    if course:
        return _course(out, seed, as_json)

    if megapixels not in (2, 12):
        raise typer.BadParameter("must be 2 or 12", param_hint="--megapixels")
    _make_room(out)
    chat = sys.stderr if as_json else sys.stdout
    bay = invent(seed, variant=variant.value, megapixels=megapixels)
    seconds: dict[str, float] = {}
    with contextlib.redirect_stdout(chat):
        typer.echo(
            f"An invented bay (seed {seed}) in {out}: {len(bay.shots)} photos, boards on {variant.value.upper()} paper.\n"
        )
        _timed(seconds, "render", lambda: _render(bay, out, seed))
        for stage, words in _commands(out):
            quiet = io.StringIO() if stage == "vehicle" else chat
            _timed(seconds, stage, lambda words=words, quiet=quiet: _run(words, quiet))
            if stage == "vehicle":
                typer.echo(_whole_car(out))
            if stage == "bumper":
                typer.echo(_from_bumper(bay, out))
        document = _compare(bay, out, seed, seconds)
        typer.echo(in_words(document))
    (out / "demo.json").write_text(json.dumps(document, indent=1), encoding="utf-8")
    if as_json:
        print_json(document)
    return DONE


def _course(out: Path, seed: int, as_json: bool) -> Exit:
    """The placements of a sheet one after another (`cli.demo_course`)."""
    from cli import demo_course
    from cli.demo_course_bay import course
    from cli.progress import progress_bars

    _make_room(out)
    seconds: dict[str, float] = {}
    rows: list[dict[str, Any]] = []
    with contextlib.redirect_stdout(sys.stderr if as_json else sys.stdout):
        count = len(course(seed).shots)
        typer.echo(f"An invented bay (seed {seed}) in {out}: {count} photos, six placements.")
        with progress_bars({"render": count}) as tick:
            _timed(seconds, "render", lambda: demo_course.render(out, seed, tick))
        for stage, words in _commands(out)[:2]:
            _timed(seconds, stage, lambda words=words: _run(words))
        _timed(seconds, "course", lambda: rows.extend(demo_course.run_steps(out)))
        document = demo_course.document(rows, demo_course.compared(out, seed), seed, seconds, out)
        typer.echo(demo_course.in_words(document))
    (out / "demo.json").write_text(json.dumps(document, indent=1), encoding="utf-8")
    if as_json:
        print_json(document)
    return DONE


def _make_room(out: Path) -> None:
    """A fresh folder; an earlier demo is replaced, anything else is left alone."""
    import shutil

    from vision.errors import FileError

    if out.exists() and not (out / MARK).is_file() and (not out.is_dir() or any(out.iterdir())):
        raise FileError(f"{out}: is there already and is not a demo of bayfix", hint="choose another folder with --out")
    try:
        if (out / MARK).is_file():
            shutil.rmtree(out)
        out.mkdir(parents=True, exist_ok=True)
        (out / MARK).write_text("This folder was made by `bayfix demo` and is replaced by the next one.\n", encoding="utf-8")
    except OSError as err:
        raise FileError(f"{out}: cannot be written: {err.strerror or err}", hint="choose another folder with --out") from err


def _render(bay: Any, out: Path, seed: int) -> None:
    from cli.demo_bay import with_touches, write_job, write_photos
    from cli.progress import progress_bars

    held = with_touches(bay, seed)
    with progress_bars({"render": len(bay.shots) + len(held.shots)}) as tick:
        for shots, part in ((bay, 2), (held, 4)):
            for name in write_photos(shots, out, seed, part=part):
                tick("render", name)
    write_job(bay, out, seed)
    lines = [f"{shot.file_name}: {shot.sentence}" for shot in (*bay.shots, *held.shots)]
    (out / "photo-list.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    typer.echo("The photo list, an example to follow (photo-list.txt):")
    for line in lines:
        typer.echo(f"  {line}")


def _commands(out: Path) -> list[tuple[str, list[str]]]:
    lens = ["lens", str(out / "lens"), "--boards", str(out / "boards.toml"), "--out", str(out / "shop.lens.toml")]
    taught = str(out / "stylus.toml")
    return [
        ("lens", lens),
        ("survey", ["survey", str(out)]),
        ("wheels", ["wheels", str(out)]),
        ("vehicle", ["vehicle", str(out), "--vehicle", str(out / "vehicle.toml")]),
        ("stylus", ["stylus", "teach", str(out), "--out", taught]),
        ("touch", ["touch", str(out), "bumper", "--stylus", taught]),
        ("bumper", ["check", str(out), "--sheet", str(out / "sheet-bumper.toml")]),
        ("check", ["check", str(out)]),
    ]


def _run(words: list[str], chat: TextIO | None = None) -> None:
    """One command as a user types it, in this process; only a command that could not measure stops the demo."""
    from cli.main import app
    from vision.errors import MeasurementError

    typer.echo(f"\n$ bayfix {' '.join(words)}")
    with contextlib.redirect_stdout(chat or sys.stdout):
        status = app(words, standalone_mode=False)
    if status == Exit.BAD_INPUT:
        raise MeasurementError(f"bayfix {words[0]} could not measure the demo bay", hint="see its message above")


def _whole_car(out: Path) -> str:
    """The part of the vehicle's table that `wheels` did not print before, and where the pictures lie."""
    from cli.vehicle_words import in_words as vehicle_in_words

    results = out / "results"
    document = json.loads((results / "vehicle.json").read_text(encoding="utf-8"))
    pictures = ", ".join((results / name).as_posix() for name in ("vehicle-floor.png", "vehicle-plan.png"))
    return f"(wheels and lines as above; here the rest)\n{vehicle_in_words(document, NEW_IN_VEHICLE)}\npictures: {pictures}"


def _from_bumper(bay: Any, out: Path) -> str:
    """The distance that starts at the touched bumper, against the truth."""
    from cli.demo_bay import CHECK, true_bumper_distance_mm

    figures = json.loads((out / "results" / f"{CHECK}.json").read_text(encoding="utf-8"))["figures"]
    row = next(row for row in figures if row["name"] == "distance_mm")
    error = row["measured"] - true_bumper_distance_mm(bay)
    inside = "inside U" if abs(error) <= row["U"] else "not inside U"
    return f"\ntouched bumper to target: {row['measured']:.2f} mm, error {error:+.2f} mm, U {row['U']:.2f} mm: {inside}"


def _timed(seconds: dict[str, float], stage: str, work: Any) -> None:
    start = time.perf_counter()
    work()
    seconds[stage] = round(time.perf_counter() - start, 2)


def _compare(bay: Any, out: Path, seed: int, seconds: dict[str, float]) -> dict[str, Any]:
    from cli.demo_bay import CHECK, true_figures

    truth = true_figures(bay)
    results = [json.loads((out / "results" / name).read_text(encoding="utf-8")) for name in ("wheels.json", f"{CHECK}.json")]
    measured = {row["name"]: row for result in results for row in result["figures"] if "measured" in row}
    figures = []
    for name in FIGURES:
        row = measured[name]
        inside = abs(row["measured"] - truth[name]) <= row["U"]
        figures.append(
            {
                "name": name,
                "unit": row["unit"],
                "truth": truth[name],
                "measured": row["measured"],
                "U": row["U"],
                "inside": inside,
            }
        )
    return {
        "schema": "demo/1",
        "figures": figures,
        "verdict": results[1]["verdict"],
        "seed": seed,
        "seconds": seconds | {"total": round(sum(seconds.values()), 2)},
        "job": out.as_posix(),
    }


def in_words(document: dict[str, Any]) -> str:
    """Truth, measured, error, U, inside: what the demo ends with."""
    from cli.table import number, table

    rows = []
    for row in document["figures"]:
        digits = 3 if row["unit"] == "deg" else 2
        error = row["measured"] - row["truth"]
        rows.append(
            [
                row["name"].rsplit("_", 1)[0].replace("_", " "),
                *(number(value, digits) for value in (row["truth"], row["measured"])),
                number(error, digits, sign=True),
                f"{row['U']:.{digits}f}",
                row["unit"],
                "yes" if row["inside"] else "no",
            ]
        )
    seconds = ", ".join(f"{stage} {value:.0f} s" for stage, value in document["seconds"].items())
    return "\n".join(
        [
            "",
            table(["figure", "truth", "measured", "error", "U (k = 2)", "", "inside U"], rows, (1, 2, 3, 4)),
            "",
            f"verdict of the check: {document['verdict']}; time: {seconds}",
            f"The job folder stays in {document['job']}: try `bayfix check {document['job']}` or edit its sheet.toml.",
        ]
    )
