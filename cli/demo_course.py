"""`bayfix demo --course`: the placements of one sheet one after another, and mistakes on the way, each of which is caught."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from cli.base import Exit

SCHEMA = "demo-course/1"
PEOPLE = ("A. B.", "C. D.")


@dataclass(frozen=True, slots=True)
class Step:
    """One command of the course.

    Attributes
    ----------
    story : str
        What happens, for people.
    words : tuple of str
    expected : Exit
        Status it must end with.
    says : str
        Words that must be in what it says.
    mistake : str
        The mistake that it catches; "" when there is none.
    """

    story: str
    words: tuple[str, ...]
    expected: Exit
    says: str
    mistake: str = ""


def steps(out: Path) -> list[Step]:
    """The course, after lens and survey."""
    job, sheet = str(out), str(out / "sheet.toml")

    def photos(epoch: str) -> tuple[str, ...]:
        return tuple(str(path) for path in sorted((out / "photos" / epoch).iterdir()))

    by_first, by_second = (("--by", name) for name in PEOPLE)
    marks, second = str(out / "face-2.toml"), str(out / "second.toml")
    taught = ("--marks", marks, "--board", "reflector-2", "--out", second)
    done = ("outcome", job, "completed", *by_first)
    return [
        Step(
            "The panel stands at its first height, nearly 2 cm beside the thrust line.",
            ("check", job, *photos("check-1")),
            Exit.DOES_NOT_CONFORM,
            "move the stand",
            "a tolerance is missed",
        ),
        Step(
            "Nobody has compared the sheet with its document yet.",
            ("job", "status", job),
            Exit.CONFORMS,
            "draft: no second person",
            "the sheet is not confirmed",
        ),
        Step("A second person compares the sheet.", ("sheet", "confirm", sheet, *by_second), Exit.CONFORMS, "confirmed"),
        Step(
            "What no photo shows is answered.",
            ("before", job, *by_first, "--rest-yes", "--yes", "camera=the shop's webcam"),
            Exit.CONFORMS,
            "everything is answered",
        ),
        Step(
            "Somebody names the reflector's stand file for the panel.",
            ("check", job, *photos("check-1"), "--stand", str(out / "reflector.toml"), "--placement", "low"),
            Exit.BAD_INPUT,
            "not the right target",
            "the wrong target",
        ),
        Step(
            "The panel is moved, photographed, and pushed again in the middle of the round.",
            ("check", job, *photos("check-2")),
            Exit.BAD_INPUT,
            "moved",
            "the stand moved between photos",
        ),
        Step("The round is taken again.", ("check", job, *photos("check-3")), Exit.CONFORMS, "CONFORMS"),
        Step("The scan tool calibrates the camera at its first height.", done, Exit.CONFORMS, "low: completed"),
        Step("The panel at its second height.", ("check", job, *photos("check-4")), Exit.CONFORMS, "high:"),
        Step("The scan tool goes on.", done, Exit.CONFORMS, "high: completed"),
        Step(
            "The reflector at the rear left corner, 45° to the car.",
            ("check", job, *photos("check-5")),
            Exit.CONFORMS,
            "rear-left:",
        ),
        Step("The scan tool goes on.", done, Exit.CONFORMS, "rear-left: completed"),
        Step(
            "A second reflector has a board printed on its face: the shop clips its own beside it and learns where.",
            ("stand", "teach", job, *photos("check-6"), *taught),
            Exit.CONFORMS,
            "reflector-2",
        ),
        Step(
            "Two reflectors at once, and the round shows the left one only.",
            ("check", job, *photos("check-6")[:2]),
            Exit.BAD_INPUT,
            "front-right",
            "one of two targets is not in the photos",
        ),
        Step("The whole round.", ("check", job, *photos("check-6")), Exit.CONFORMS, "front-right"),
        Step("The scan tool calibrates both radars.", done, Exit.CONFORMS, "completed"),
        Step(
            "A mat behind the car, nearly 2 cm too far away.",
            ("check", job, *photos("check-7")),
            Exit.DOES_NOT_CONFORM,
            "move the mat",
            "the mat lies too far away",
        ),
        Step("The mat is pulled nearer.", ("check", job, *photos("check-8")), Exit.CONFORMS, "rear-mat"),
        Step("The scan tool is done.", done, Exit.CONFORMS, "rear-mat: completed"),
        Step("Where the job stands.", ("job", "status", job), Exit.CONFORMS, "every placement is done"),
    ]


def run_steps(out: Path) -> list[dict[str, Any]]:
    """Run the course as a user types it, each command's words echoed; one row a step."""
    rows = []
    for step in steps(out):
        typer.echo(f"\n{step.story}\n$ bayfix {' '.join(_short(step.words))}")
        status, said = _run(step.words)
        typer.echo(said.rstrip())
        met = status == step.expected and step.says in said
        rows.append({"story": step.story, "mistake": step.mistake or None, "status": int(status), "as_expected": met})
    return rows


def compared(out: Path, seed: int) -> list[dict[str, Any]]:
    """Every figure of the last check of each placement, with its truth."""
    from cli.demo_course_bay import course, true_figures

    demo = course(seed)
    rows = []
    for path in sorted((out / "results").glob("check-*.json")):
        kept = json.loads(path.read_text(encoding="utf-8"))
        for check in kept.get("targets", [kept]):
            truth = true_figures(demo, kept["epoch"])[check["placement"]]
            rows += [_against(check, row, truth[row["name"]]) for row in check["figures"]]
    return rows


def _against(check: dict[str, Any], row: dict[str, Any], truth: float) -> dict[str, Any]:
    error = row["measured"] - truth
    found = {"epoch": check["epoch"], "placement": check["placement"], "name": row["name"], "unit": row["unit"]}
    return found | {"truth": truth, "measured": row["measured"], "U": row["U"], "inside": abs(error) <= row["U"]}


def document(
    rows: list[dict[str, Any]], figures: list[dict[str, Any]], seed: int, seconds: dict[str, float], out: Path
) -> dict[str, Any]:
    return {"schema": SCHEMA, "seed": seed, "steps": rows, "figures": figures, "seconds": seconds, "job": out.as_posix()}


def in_words(course: dict[str, Any]) -> str:
    """Which mistakes were caught."""
    from cli.table import table

    rows = [[row["mistake"], "caught" if row["as_expected"] else "NOT CAUGHT"] for row in course["steps"] if row["mistake"]]
    others = [row for row in course["steps"] if not row["mistake"]]
    inside = sum(row["inside"] for row in course["figures"])
    through = sum(row["as_expected"] for row in others)
    return "\n".join(
        [
            "",
            table(["mistake", ""], rows),
            "",
            f"{through} of {len(others)} other steps went as they should; time: "
            + ", ".join(f"{stage} {value:.0f} s" for stage, value in course["seconds"].items()),
            f"{inside} of {len(course['figures'])} measured figures differ from the truth by less than their U (95 % expected)",
            f"The job stays in {course['job']}: try `bayfix job status {course['job']}`.",
        ]
    )


def render(out: Path, seed: int, tick: Callable[[str, str], None]) -> None:
    """Photos and typed files of the course's bay."""
    from cli.demo_course_bay import course, write_course

    demo = course(seed)
    for name in write_course(demo, out, seed):
        tick("render", name)
    lines = [f"{shot.file_name}: {shot.sentence}" for shot in demo.shots]
    (out / "photo-list.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _run(words: tuple[str, ...]) -> tuple[int, str]:
    """Status and everything said by one command, in this process."""
    from cli.main import app

    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        status = app(list(words), standalone_mode=False)
    return int(status or 0), said.getvalue()


def _short(words: tuple[str, ...]) -> list[str]:
    """A round's photos as a shell's pattern would name them."""
    out: list[str] = []
    for word in words:
        path = Path(word)
        name = f"{path.parent.as_posix()}/*{path.suffix}" if path.suffix == ".jpg" else word
        name = f'"{name}"' if " " in name else name
        if not out or out[-1] != name:
            out.append(name)
    return out
