"""A job on one screen: what is done, what is missing, what blocks, and the next sensible step. Plain words from plain facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calib.geometry.wheel_data import Mode
from calib.paper.before import answering
from calib.paper.held_back import all_inside, holdups
from calib.paper.job_state import PlacementState, next_open, of_group

LEAST_ROLLS = {Mode.ROLLED: 2, Mode.SPIN: 2, Mode.STATIC: 0}
"""Rounds before `rest` to ask for: the third of a rolled car, or of wheels turned by hand, is `rest` itself."""
SHEET = "sheet"
UNTOLD = "by an earlier version, which did not note by what: unknown whether stand, boards or job.toml changed since"
"""Of a check that cannot be shown to be out of date: what was found then is not struck out, what is not known is said."""
DONE, OPEN, BLOCKED = "done", "open", "blocks"


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the screen: `state` is "done", "open" or "blocks"; `step` is what to do, "" when nothing.

    What `can_wait` somebody else does meanwhile: it holds up no photo.
    """

    what: str
    state: str
    words: str
    step: str = ""
    can_wait: bool = False


@dataclass(frozen=True, slots=True)
class Unready:
    """A file the job rests on that is not there or not filled in yet.

    `holds_up` names the placements that cannot be checked before, "" for the only one; the survey and all others go on. Empty
    when everything waits for it.
    """

    what: str
    words: str
    step: str
    holds_up: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Facts:
    """What was found in a job's folder.

    Attributes
    ----------
    name : str
        How the job is called on the command line.
    before : mapping
        `before-list/1`.
    sheet_words, sheet_confirmed : str, bool
    sheet_path : str
    photos : mapping of epoch to number of photos
    survey : str
        "" when there is a good one, else why not.
    survey_words : str
    car : str
        Verdict of the vehicle file on this survey; "" when not judged, "none" when the job names no vehicle file.
    car_words : str
        Why it is not judged.
    placements : sequence of PlacementState
    mode : Mode
        How the wheels come to turn between the rounds.
    unready : sequence of Unready
        A sheet among them has no words of its own.
    """

    name: str
    before: Mapping[str, Any]
    sheet_words: str
    sheet_confirmed: bool
    sheet_path: str
    photos: Mapping[str, int]
    survey: str
    survey_words: str
    car: str
    placements: Sequence[PlacementState]
    mode: Mode = Mode.ROLLED
    unready: Sequence[Unready] = ()
    car_words: str = ""


def steps(facts: Facts) -> list[Step]:
    """All lines, in the order of the work."""
    return [
        *([_sheet(facts)] if facts.sheet_words else []),
        *(Step(file.what, OPEN, file.words, file.step) for file in facts.unready if not file.holds_up),
        _before(facts),
        _photos(facts),
        _survey(facts),
        *([_car(facts)] if facts.car != "none" else []),
        *_later(facts),
        *(_placement(facts, i, state) for i, state in enumerate(facts.placements)),
    ]


def next_step(lines: Sequence[Step]) -> tuple[str, str]:
    """What to do now, and what somebody else can do meanwhile ("" when nothing): confirming a sheet holds up no photo."""
    wanting = [line for line in lines if line.step and not line.can_wait]
    meanwhile = next((line.step for line in lines if line.can_wait), "")
    return (wanting[0].step if wanting else "nothing: every placement is done"), meanwhile


def _later(facts: Facts) -> list[Step]:
    """Files of placements to come: their turn is when the placement's is."""
    open_ = next_open(facts.placements)
    due = {state.name for state in of_group(facts.placements, open_)} if open_ else set()
    return [
        Step(file.what, OPEN, file.words, file.step if due & set(file.holds_up) else "")
        for file in facts.unready
        if file.holds_up
    ]


def _sheet(facts: Facts) -> Step:
    if facts.sheet_confirmed:
        return Step(SHEET, DONE, facts.sheet_words)
    step = f'let a second person compare it: bayfix sheet confirm {facts.sheet_path} --by "…"'
    return Step(SHEET, OPEN, facts.sheet_words, step, can_wait=True)


def _before(facts: Facts) -> Step:
    rows = facts.before["questions"]
    bad = [row for row in rows if row["answer"] == "no"]
    if facts.before["open"]:
        words = f"{facts.before['open']} of {len(rows)} questions open"
        return Step("before the first photo", OPEN, words, _how_to_answer(facts))
    if bad:
        return Step("before the first photo", OPEN, "; ".join(f"not so: {row['question']} ({row['why']})" for row in bad))
    return Step("before the first photo", DONE, "everything is as it should be")


def _how_to_answer(facts: Facts) -> str:
    options = answering(facts.before)
    not_so = ', and --no "KEY=why" for what is not so' if options.endswith("--rest-yes") else ""
    return f'answer them: bayfix before {facts.name} --by "…" {options}{not_so}'


def _photos(facts: Facts) -> Step:
    rolls = [epoch for epoch in facts.photos if epoch.startswith("roll-")]
    words = ", ".join(f"{epoch} {count}" for epoch, count in facts.photos.items()) or "none"
    if "rest" in facts.photos:
        return Step("photos", DONE, words)
    into, rest = f"{facts.name}/photos/roll-{len(rolls) + 1}", f"{facts.name}/photos/rest"
    if len(rolls) < LEAST_ROLLS[facts.mode]:
        step = f"chocks set: photograph the next round into {into}, then roll on by a quarter turn of the wheels (some 0.5 m)"
        if facts.mode is Mode.SPIN:
            step = f"photograph the next round into {into}, then turn every wheel by hand by a quarter turn or so"
        return Step("photos", OPEN, words, step)
    step = {
        Mode.ROLLED: f"roll on once more, chocks and brake: photograph where the car stays into {rest}",
        Mode.SPIN: f"turn every wheel once more: photograph where they stay into {rest}",
        Mode.STATIC: f"chocks and brake: photograph the car where it stands into {rest}",
    }[facts.mode]
    return Step("photos", OPEN, words, step)


def _survey(facts: Facts) -> Step:
    if facts.survey:
        return Step("survey", OPEN, facts.survey, f"bayfix survey {facts.name}")
    return Step("survey", DONE, facts.survey_words)


def _car(facts: Facts) -> Step:
    if facts.car == "conforms":
        return Step("car", DONE, "within its limits")
    if not facts.car:
        return Step("car", OPEN, facts.car_words or "not judged on this survey", f"bayfix vehicle {facts.name}")
    return Step(
        "car",
        BLOCKED,
        f"{facts.car}: no check conforms",
        f"put the car right, or overrule the limit: bayfix vehicle {facts.name}",
    )


def _placement(facts: Facts, i: int, state: PlacementState) -> Step:
    what = f"{i + 1} {state.name or state.target}"
    open_ = next_open(facts.placements)
    mine = open_ is not None and open_.name == state.name
    group = of_group(facts.placements, state)
    check = _check_step(facts, group)
    if state.check is None:
        return Step(what, OPEN, "not measured yet", f"{_todos(group)}; {check}" if mine else "")
    words = f"{state.check['verdict']} ({state.check['epoch']}, {str(state.check['date'])[:16]}, {_counted(state.checks)})"
    if state.untold:
        words += f"; {UNTOLD}"
    if state.changed:
        words = f"{' and '.join(state.changed)}: check again; it said {words}"
        return Step(what, OPEN, words, _again_step(facts, state, group) if mine else "")
    if not state.conforms:
        return Step(what, OPEN, words, f"{_todos(group)}; {check}" if mine else "")
    waits = [one.name for one in group if not one.conforms]
    if waits:
        return Step(what, OPEN, f"{words}; waits for {' and '.join(waits)}")
    if state.outcome is None:
        step = (
            f'calibrate by the maker\'s procedure, then note it: bayfix outcome {facts.name} completed --by "…"{_option(state)}'
        )
        return Step(what, OPEN, words, step if mine else "")
    words += f"; scan tool: {state.outcome['outcome']}, by {state.outcome['by']}"
    if not state.is_done:
        return Step(what, OPEN, words, f"find out why the calibration was not completed; {check}" if mine else "")
    return Step(what, DONE, words)


def _todos(group: Sequence[PlacementState]) -> str:
    """What to do with the targets that stand at the same time before they are looked at again."""
    if len(group) == 1:
        return _todo(group[0])
    return "; ".join(f"{one.name}: {_todo(one)}" for one in group if not one.conforms)


def _todo(state: PlacementState) -> str:
    if state.check is None or state.changed:
        return "lay the mat out" if state.kind == "mat" else "put the target up"
    if all_inside(state.check):
        return f"no move is needed, but {'; '.join(one.step for one in holdups(state.check)) or 'see to what the check notes'}"
    return str(state.check["moves_in_words"])


def _again_step(facts: Facts, state: PlacementState, group: Sequence[PlacementState]) -> str:
    """How to come to a check that counts: photos stay good while what changed was only what is typed of the things in them."""
    anew = f"{_todos(group)}; {_check_step(facts, group)}"
    epoch = state.check["epoch"] if state.check else ""
    if epoch not in facts.photos and state.in_photos:
        return anew
    photos = f" {facts.name}/photos/{epoch}" if state.in_photos else ""
    mended = f"bayfix check {facts.name}{photos}{_option(state)}"
    return f"if only what was typed of it was put right: {mended}; if a thing itself was changed: {anew}"


def _check_step(facts: Facts, group: Sequence[PlacementState]) -> str:
    """How to look at targets that stand at the same time, and the command."""
    touches = ", ".join(mark for state in group for mark in state.marks)
    shown = [state.name or state.target for state in group if state.in_photos]
    steps = []
    if touches:
        again = " anew" if any(state.check is not None for state in group if state.marks) else ""
        steps.append(f"touch {'the' if shown else 'its'} marks{again} ({touches}; bayfix touch {facts.name} NAME)")
    if shown:
        them = "it" if len(group) == 1 else " and ".join(shown) + (" together" if len(shown) > 1 else "")
        steps.append(f"photograph {them} into {facts.name}/photos/{_next_check(facts)}")
    return f"{', '.join(steps)} and run: bayfix check {facts.name}{_option(group[0])}"


def _option(state: PlacementState) -> str:
    return f" --placement {state.name}" if state.name else ""


def _counted(checks: int) -> str:
    return "1 check" if checks == 1 else f"{checks} checks"


def _next_check(facts: Facts) -> str:
    numbers = [int(epoch.removeprefix("check-")) for epoch in facts.photos if epoch.startswith("check-")]
    return f"check-{max(numbers, default=0) + 1}"
