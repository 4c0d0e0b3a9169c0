"""What may have gone wrong in a round of photos, as suppositions for the network to test, and what a finding means, in words.

The network knows bodies and photos; here is known that floor boards lie through all epochs, that a car stands through one, that
a stand's boards move together. A finding counts when it is improbable by chance *and* large enough to matter.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np

from calib.bodies import board_of, epoch_of_body
from calib.paper.job import Job
from vision.boards import BoardSet
from vision.errors import MeasurementError, WrongLensError
from vision.frames import Array
from vision.observations import ROWS, View
from vision.poses import PoseSet
from vision.suppositions import MOST_DRIFT_PX, Found, Guessed, Moved, Sheared, Typed, Zoomed, breaks, face_departure_mm

FALSE_ALARM = 1e-3
"""Probability that a sound set of photos is doubted, all suppositions together (Bonferroni)."""
LEAST_SHIFT_MM, LEAST_TURN_RAD = 1.0, 1.5e-3
LEAST_SCALE, LEAST_ZOOM = 0.001, 0.001
LEAST_DRIFT_PX, SAME_SIZE = 0.2, 0.1
TOO_BENT = 2.0
"""Times `flatness_pm_mm`: as the detector refuses, here on all photos together."""
SURE = 3.0
LEAST_LENS_PX = 1.0
"""Below it a lens that differs more than its covariance says costs less than every U: a well made profile errs by tenths."""
STOP_ZOOM, STOP_LENS_PX = 0.002, 3.0
"""A lens that differs by less is told and measured with; what it does is of the size of U."""
OPEN_SCALE_PM, OPEN_FLATNESS = 0.02, 20.0
"""Half-width (relative, k = 2) of a doubted print's scale, and how many times its flatness a bent board is given, when adjusted
anew."""
KEPT_APART = "what it showed before and after is not mixed"
BRAKES = "lock the stand's brakes and take all photos of {0} again"
LEAVE_LYING = "let nobody step on it or pull it, and take all photos of {0} again"
CHOCKS = (
    "set chocks and brake before each round and take the photos of {0} again; when three other rounds are left, it is enough "
    "to take the folder {0} out of photos"
)
TAPE_DOWN = "find out what touched {0}, tape it down, and take the photos again if it may move once more"
MAT = "the mat"
"""How the words for a mat that carries boards begin."""
EARLIER = "earlier"
"""Body name's ending of a floor board in the place from which it was moved."""


class Cure(Enum):
    """What the next adjustment may do about a doubt."""

    NONE = "none"
    STEADY = "take the drift out of photos, and count them for less"
    PART = "count a floor board as two, before and after it moved"
    OPEN = "leave a board's size or flatness to the photos"


@dataclass(frozen=True, slots=True)
class Guess:
    """A supposition, the photos between which it began ("" where there is none), and in words what carries boards that moved
    together."""

    what: Guessed
    before: str = ""
    after: str = ""
    carrier: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """Something that photos or typed values contradict: in words, what to do about it, and whether it can be cured here.

    `stops`: no figure is to be had before it is put right.
    `drift_px`: of photos that drift from row to row, px along x and y over `ROWS`.
    `since_survey`: a floor board that is elsewhere in all photos of a check, which `find_moved` deals with.
    """

    found: Found
    words: str
    hint: str
    cure: Cure = Cure.NONE
    stops: bool = False
    since_survey: bool = False
    drift_px: Mapping[str, Array] = field(default_factory=dict)


def survey_guesses(views: Sequence[View], job: Job) -> list[Guess]:
    """Floor boards that were moved, a car that moved within a round, a lens that was zoomed, photos that drift."""
    seen = _seen(views)
    guesses = [guess for board in job.floor for guess in _parted([board], seen)]
    for epoch in dict.fromkeys(epoch_of_body(body) for _, bodies in seen for body in sorted(bodies)):
        wheels = [f"{board}@{epoch}" for board in job.wheel_boards().values()]
        guesses += _parted(wheels, seen) if epoch else []
    return guesses + _zooms(views) + [Guess(Sheared(photo), "", photo) for photo, _ in seen]


def check_guesses(views: Sequence[View], job: Job, carriers: Mapping[str, Collection[str]], epoch: str) -> list[Guess]:
    """As in a survey; also a stand that moved between photos, floor boards that moved and a lens zoomed since the survey.

    Parameters
    ----------
    carriers : mapping of str to names of boards
        What carries boards and stands by itself, in words ("the stand"): each may have moved without the others.
    """
    seen = _seen(views)
    on_floor = [board for board in job.floor if any(board in there for _, there in seen)]
    everywhere = {board: frozenset(photo for photo, there in seen if board in there) for board in on_floor}
    guesses = [Guess(Moved({board: photos}), "", seen[0][0]) for board, photos in everywhere.items()]
    for carrier, names in carriers.items():
        moved = _parted([f"{name}@{epoch}" for name in names], seen, together=True)
        guesses += [replace(guess, carrier=carrier) for guess in moved]
    return guesses + survey_guesses(views, job) + _zooms(views, since_survey=True)


def doubt_about(
    found: Sequence[Found], guesses: Sequence[Guess], boards: BoardSet, poses: PoseSet, job: Job, views: Sequence[View]
) -> Doubt | None:
    """The one doubt that explains most, if any is improbable and large enough; next a board bent beyond all measure.

    Parameters
    ----------
    found : sequence of Found
        Least probable first.
    """
    # Without a tape nothing measures a size common to all prints: a smaller world would only make every misfit smaller.
    found = [e for e in found if job.distances or not (isinstance(e.what, Typed) and e.what.kind == "scale")]
    place = {id(guess.what): guess for guess in guesses}
    limit = math.log(FALSE_ALARM / max(len(found), 1))
    for entry in _likeliest(found):
        if entry.log_chance < limit:
            sheared = [e for e in found if isinstance(e.what, Sheared) and e.log_chance < limit]
            doubt = _sheared(entry, sheared) or _in_words(entry, place.get(id(entry.what)), boards, poses, job, views)
            if doubt is not None:
                return doubt
    bent = [entry for entry in found if isinstance(entry.what, Typed) and entry.what.kind == "bend"]
    doubts = [doubt for doubt in (_bent(entry, boards) for entry in bent) if doubt is not None]
    return max(doubts, key=lambda doubt: doubt.found.drop, default=None)


def _likeliest(found: Sequence[Found]) -> Sequence[Found]:
    """The least probable one; where a lens unlike its profile explains as much as a zoom from some photo on, it is the lens."""
    best = found[:1]
    for entry in best:
        if isinstance(entry.what, Zoomed):
            lens = [e for e in found if isinstance(e.what, Typed) and (e.what.kind, e.what.of) == ("lens", entry.what.lens)]
            return [e for e in lens if e.drop >= entry.drop] or best
    return best


def parted(views: Sequence[View], doubt: Doubt) -> list[View]:
    """The views with a floor board that was moved counted as two: its present body, and `<board>@earlier`."""
    what = doubt.found.what
    if not isinstance(what, Moved):
        return list(views)
    out = []
    for view in views:
        seen = tuple(
            replace(s, body=f"{s.body}@{EARLIER}") if s.body in what.later and view.photo not in what.later[s.body] else s
            for s in view.seen
        )
        out.append(replace(view, seen=seen))
    return out


def without_moved(views: Sequence[View], doubt: Doubt) -> list[View]:
    """The views of a check without a floor board that was moved while they were taken."""
    what = doubt.found.what
    if not isinstance(what, Moved):
        return list(views)
    return [replace(view, seen=tuple(s for s in view.seen if s.body not in what.later)) for view in views]


def opened(boards: BoardSet, doubt: Doubt) -> BoardSet:
    """The boards with the doubted one's size or flatness left to the photos."""
    what = doubt.found.what
    if not isinstance(what, Typed):
        return boards
    board = boards[what.of]
    if what.kind == "bend":
        loose = replace(board, flatness_pm_mm=OPEN_FLATNESS * board.flatness_pm_mm)
    else:
        loose = replace(board, scale=replace(board.scale, own_pm=OPEN_SCALE_PM))
    return BoardSet(tuple(loose if other.name == board.name else other for other in boards))


def stop(doubt: Doubt) -> MeasurementError:
    what = doubt.found.what
    if isinstance(what, Typed) and what.kind == "lens":
        return WrongLensError(doubt.words, hint=doubt.hint, lens=what.of)
    return MeasurementError(doubt.words, hint=doubt.hint)


def _seen(views: Sequence[View]) -> list[tuple[str, set[str]]]:
    return [(view.photo, {s.body for s in view.seen}) for view in views if view.seen]


def _parted(bodies: Collection[str], seen: Sequence[tuple[str, Collection[str]]], *, together: bool = False) -> list[Guess]:
    return [Guess(Moved(part.later, together), part.before, part.after) for part in breaks(bodies, seen)]


def _zooms(views: Sequence[View], *, since_survey: bool = False) -> list[Guess]:
    """One for every moment between two photos by the same lens; or one for all of them against an earlier survey."""
    by_lens: dict[str, list[str]] = {}
    for view in views:
        if view.seen:
            by_lens.setdefault(view.lens, []).append(view.photo)
    if since_survey:
        return [Guess(Zoomed(lens, frozenset(photos)), "", photos[0]) for lens, photos in by_lens.items()]
    return [
        Guess(Zoomed(lens, frozenset(photos[k:])), photos[k - 1], photos[k])
        for lens, photos in by_lens.items()
        for k in range(1, len(photos))
    ]


def _in_words(
    found: Found, guess: Guess | None, boards: BoardSet, poses: PoseSet, job: Job, views: Sequence[View]
) -> Doubt | None:
    what = found.what
    if isinstance(what, Moved) and guess is not None:
        return _moved(found, what, guess, boards, poses, job)
    if isinstance(what, Zoomed) and guess is not None:
        return _zoomed(found, what, guess)
    if isinstance(what, Typed):
        by_kind = {"bend": _bent, "own": _own_scale}
        if what.kind in by_kind:
            return by_kind[what.kind](found, boards)
        if what.kind == "scale":
            return _run_scale(found, what, boards)
        if what.kind == "lens":
            return _lens(found, what, views)
    return None


def _moved(found: Found, what: Moved, guess: Guess, boards: BoardSet, poses: PoseSet, job: Job) -> Doubt | None:
    sizes = []
    for k, body in enumerate(what.later):
        mark = poses[body].apply(boards[board_of(body)].centre_mm)
        part = 0 if what.together else k
        sizes.append((found.shift_mm(mark, part), found.turn_rad(part), board_of(body)))
    shift, turn, worst = max(sizes)
    if shift < LEAST_SHIFT_MM and max(size[1] for size in sizes) < LEAST_TURN_RAD:
        return None
    by = f"by {shift:.1f} mm and {math.degrees(turn):.2f}°"
    between = f"between {guess.before} and {guess.after}" if guess.before else "since the survey"
    if worst in job.floor:
        words = f"floor board {worst} was moved {by} {between}: {KEPT_APART}"
        return Doubt(found, words, TAPE_DOWN.format(worst), Cure.PART, since_survey=not guess.before)
    epoch = guess.after.partition("/")[0]
    names = " and ".join(sorted(board for *_, board in sizes))
    if what.together:
        words = f"{guess.carrier or 'the stand'} was moved {by} {between}: {names} stand elsewhere from {guess.after} on"
        hint = LEAVE_LYING if guess.carrier.startswith(MAT) else BRAKES
        return Doubt(found, words, hint.format(epoch), stops=True)
    words = f"the car (or a board on it) moved {by} during {epoch}, {between}: see {names}"
    return Doubt(found, words, CHOCKS.format(epoch), stops=True)


def _sheared(found: Found, all_sheared: Sequence[Found]) -> Doubt | None:
    """Photos that drift, told together: those that would lower the square sum by a tenth of what the worst does, or more."""
    if not isinstance(found.what, Sheared):
        return None
    some = [e for e in all_sheared if e.drop > SAME_SIZE * found.drop and np.abs(e.value).max() > LEAST_DRIFT_PX]
    if not some:
        return None
    drift = {e.what.photo: e.value for e in some if isinstance(e.what, Sheared)}
    sizes = ", ".join(
        f"{photo} by {np.linalg.norm(by):.1f} px over {ROWS:.0f} rows ({_becomes(by)})" for photo, by in drift.items()
    )
    words = f"the camera moved while it read the picture (rolling shutter), {sizes}"
    return Doubt(found, words, "hold the camera still, arms on something firm, and take it again", Cure.STEADY, drift_px=drift)


def _becomes(drift: Array) -> str:
    return "left out" if np.abs(drift).max() > MOST_DRIFT_PX else "taken out, counts for less"


def _zoomed(found: Found, what: Zoomed, guess: Guess) -> Doubt | None:
    zoom = float(found.value[0])
    if abs(zoom) < LEAST_ZOOM:
        return None
    change = f"{100 * abs(zoom):.1f} % {'larger' if zoom > 0 else 'smaller'}"
    when = f"between {guess.before} and {guess.after}" if guess.before else f"since the survey, before {guess.after}"
    words = f"zoom or focus changed {when}: from {guess.after} on the pictures are drawn {change} (lens profile {what.lens})"
    hint = (
        f"lock zoom and focus as in the lens photos and take the photos from {guess.after} on again; or calibrate the camera "
        "as it was then and name that lens profile for them under [photos] in job.toml"
    )
    return Doubt(found, words, hint, stops=abs(zoom) > STOP_ZOOM)


def zoom_at(doubt: Doubt, views: Sequence[View], what: Zoomed, zoom: float) -> Doubt:
    """The doubt about a zoom, told of this moment and size instead."""
    photos = [view.photo for view in views if view.lens == what.lens and view.seen]
    first = next(k for k, photo in enumerate(photos) if photo in what.later)
    found = replace(doubt.found, what=what, value=np.array([zoom]))
    return _zoomed(found, what, Guess(what, photos[first - 1], photos[first])) or doubt


def _own_scale(found: Found, boards: BoardSet) -> Doubt | None:
    what = found.what
    worst = max((float(value) for value in found.value), key=abs)
    if not isinstance(what, Typed) or abs(worst) < LEAST_SCALE:
        return None
    change = f"{100 * abs(worst):.1f} % {'larger' if worst > 0 else 'smaller'}"
    measured = "its check bars say" if boards[what.of].scale.common_pm < 0.005 else "boards.toml says"
    words = f"the photos show {what.of} {change} than {measured}: its size is left to the photos"
    hint = (
        f"measure the check bars of {what.of} and record them (bayfix boards measured); it must be the print itself, not a "
        "screen, and of the same print run as its fellows"
    )
    return Doubt(found, words, hint, Cure.OPEN)


def _run_scale(found: Found, what: Typed, boards: BoardSet) -> Doubt | None:
    worst = max((float(value) for value in found.value), key=abs)
    if abs(worst) < LEAST_SCALE:
        return None
    change = f"{100 * abs(worst):.1f} % {'larger' if worst > 0 else 'smaller'}"
    names = [board.name for board in boards if board.print_run == what.of]
    words = (
        f"tape and boards contradict each other: the boards of print run {what.of} ({names[0]} …) must be {change} than their "
        "check bars say"
    )
    hint = "measure the tape distance again between the printed centre marks, and the check bars of some boards of this run"
    return Doubt(found, words, hint, stops=True)


def _bent(found: Found, boards: BoardSet) -> Doubt | None:
    what = found.what
    if not isinstance(what, Typed):
        return None
    board = boards[what.of]
    departure, sigma = face_departure_mm(found.value, found.cov)
    if departure - SURE * sigma <= TOO_BENT * board.flatness_pm_mm:
        return None
    words = (
        f"{board.name} is bent: it departs by {departure:.1f} mm from a plane (flatness_pm_mm: {board.flatness_pm_mm:g}): "
        "its shape is left to the photos"
    )
    return Doubt(found, words, f"glue {board.name} to something stiff and flat, then take its photos again", Cure.OPEN)


def _lens(found: Found, what: Typed, views: Sequence[View]) -> Doubt | None:
    photos = [view.photo for view in views if view.lens == what.of and view.seen]
    by_name = dict(zip(what.names, found.value.tolist(), strict=True))
    focal, across, down = (by_name.get(f"lens:{what.of}:{name}", 0.0) for name in ("fx_px", "cx_px", "cy_px"))
    centre = math.hypot(across, down)
    if max(abs(focal), centre) < LEAST_LENS_PX:
        return None
    words = (
        f"the photos ({photos[0]} … {photos[-1]}) do not fit lens profile {what.of}: they show a focal length {focal:+.1f} px "
        f"and a middle {centre:.1f} px from the profile's; it belongs to another camera, or zoom and focus were others"
    )
    hint = (
        "calibrate this very camera, not another one of the same model, at the zoom and focus of these photos: bayfix lens "
        "PHOTOS (with --focus auto, when its focus cannot be locked)"
    )
    return Doubt(found, words, hint, stops=max(abs(focal), centre) > STOP_LENS_PX)


def in_wrong_folder(photo: str, body: str, shown: str) -> MeasurementError:
    """A photo that shows a board (`body`, of its folder's epoch) where another epoch has it (`shown`)."""
    folder, filed = epoch_of_body(shown), epoch_of_body(body)
    return MeasurementError(
        f"{photo} shows {board_of(body)} where it stood in {folder}: the photo belongs to {folder}, not to {filed}",
        hint=f"move the photo into photos/{folder}, or take it out; did the car stand still in each round?",
    )


def scale_advice(job: Job, boards: BoardSet, used: Mapping[str, object] | Collection[str]) -> list[str]:
    """What nothing in the photos can show: a print scale common to all boards, when no tape distance is given."""
    floor = [name for name in job.floor if name in used]
    if job.distances or len(floor) < 2:
        return []
    measured = all(boards[name].scale.common_pm < 0.005 for name in floor)
    on = "the check bars alone" if measured else "the printer alone, no check bar is measured"
    return [
        f"no tape distance is given: all distances rest on {on}, and a scale wrong on all prints cannot be seen; measure "
        "between the centre marks of two floor boards 3 m or more apart and type it under [[distance]] in job.toml"
    ]
