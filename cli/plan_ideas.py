"""What could be done better, from what costs nothing to what costs a camera, each tried out on the imagined bay."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from calib.decision.plan import Decided, decide_all
from calib.geometry.walk import Sites, photos_beside, sites_of
from calib.geometry.walk_targets import beside_targets, mat_photos, stand_photos
from calib.paper.bay import BayPlan, FloorPlace, PhotoPlace
from calib.paper.mat import Mat
from calib.paper.stand import Stand
from cli.plan_job import Setting
from cli.plan_run import predict
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.errors import BoardError, MeasurementError
from vision.imagined import free_ids, larger_picture
from vision.parallel import in_parallel

ENOUGH = 0.05
"""Chance of an undecided verdict for a perfectly placed target, above which a plan wants mending."""
TAPE_PM_MM, STANDOFF_PM_MM = 0.4, 0.3
SHARPER = 2.0
NEAR_SPOTS = (
    (1.0, 30.0, 1500.0, 1150.0),
    (-1.0, 30.0, 1500.0, 1150.0),
    (1.0, 55.0, 2000.0, 1500.0),
    (-1.0, 55.0, 2000.0, 1500.0),
)


@dataclass(frozen=True, slots=True, eq=False)
class Idea:
    """One change of the setting; `cost` orders them, the cheapest first."""

    cost: int
    words: str
    setting: Setting


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """An idea and what it would bring."""

    words: str
    cost: int
    decision: Decided


def tried(setting: Setting) -> Iterator[Tried]:
    """Every idea with its outcome, the cheapest first; one that cannot be measured at all is left out."""
    some = list(ideas(setting))
    for idea, decision in zip(some, in_parallel(_try, [idea.setting for idea in some]), strict=True):
        if decision is not None:
            yield Tried(idea.words, idea.cost, decision)


def cheapest(now: Decided, outcomes: Sequence[Tried]) -> Tried | None:
    """The cheapest idea that makes the sheet decidable, or the one that helps most; None when none helps or none is needed."""
    if now.whole.undecided <= ENOUGH:
        return None
    enough = [one for one in outcomes if one.decision.whole.undecided <= ENOUGH]
    if enough:
        return min(enough, key=lambda one: one.cost)
    best = min(outcomes, key=lambda one: one.decision.whole.undecided, default=None)
    return best if best and best.decision.whole.undecided < now.whole.undecided - 0.01 else None


def ideas(setting: Setting) -> Iterator[Idea]:
    """Changes worth trying: hands, photos, boards, camera."""
    hands = setting.bay.by_hand

    def with_hands(**change: float) -> Setting:
        return replace(setting, bay=replace(setting.bay, by_hand=replace(hands, **change)))

    if hands.tape_pm_mm is None or hands.tape_pm_mm > TAPE_PM_MM:
        yield Idea(
            1, f"a tape distance of some 4 m between two floor boards, to ±{TAPE_PM_MM} mm", with_hands(tape_pm_mm=TAPE_PM_MM)
        )
    if hands.standoff_pm_mm > STANDOFF_PM_MM:
        yield Idea(
            2, f"stand-offs to ±{STANDOFF_PM_MM} mm, or touched with the stylus", with_hands(standoff_pm_mm=STANDOFF_PM_MM)
        )
    sites = sites_of(setting.bay, setting.targets, setting.boards)
    for words, carrier in _surer_words(sites):
        targets = tuple(target.surer(2.0) if isinstance(target.carrier, carrier) else target for target in setting.targets)
        yield Idea(3, words, replace(setting, targets=targets))
    for words, photos in _nearer(setting.bay, sites):
        yield Idea(4, f"four more photos of {words}", _with_photos(setting, photos))
    if any(target.touched for target in setting.targets):
        words = f"the marks touched in {2 * setting.touches} photos each instead of {setting.touches}"
        yield Idea(4, words, replace(setting, touches=2 * setting.touches))
    yield Idea(5, "one more photo straight beside each wheel in every round", _with_photos(setting, photos_beside(setting.bay)))
    if hands.floor_pm_mm > 1.0:
        yield Idea(
            6,
            f"an evener floor, or one that was measured: ±{hands.floor_pm_mm / 2:g} mm",
            with_hands(floor_pm_mm=hands.floor_pm_mm / 2),
        )
    for cost, words, change in (
        (7, _beside_words(sites), lambda: _with_floor_boards(setting, sites)),
        (8, _larger_words(sites), lambda: _with_larger_boards(setting)),
    ):
        changed = _if_ids_are_left(change)
        if changed is not None and changed.boards != setting.boards:
            yield Idea(cost, words, changed)
    yield Idea(9, "a camera with twice as many pixels a side", replace(setting, lens=larger_picture(setting.lens, SHARPER)))


def _if_ids_are_left(change: Callable[[], Setting]) -> Setting | None:
    """None where the boards' dictionary is full."""
    try:
        return change()
    except BoardError:
        return None


def _surer_words(sites: Sites) -> Iterator[tuple[str, type[Stand] | type[Mat]]]:
    """What can be measured better on the targets, and what carries it."""
    several = sum(spot.count for spot in sites.spots) > 1
    if sites.spots:
        where = "targets measured twice as well (stand files)" if several else "target measured twice as well (stand file)"
        yield f"the boards' places on the {where}", Stand
    if sites.lying:
        yield "the places of boards and marks on the mat measured twice as well (mat file)", Mat


def _nearer(bay: BayPlan, sites: Sites) -> Iterator[tuple[str, list[PhotoPlace]]]:
    """More photos of one stand, or of stands beside each other, or of one mat."""
    for spot in sites.spots:
        off = "it" if spot.count == 1 else "them"
        yield (
            f"{spot.words}: from 1.5 m, 30° off {off}, and from 2 m, 55° off {off}, on both sides",
            stand_photos([spot], NEAR_SPOTS),
        )
    for area in sites.lying:
        yield f"{area.words}: looking down from nearer, from its sides", mat_photos(bay, [area], sites.spots, nearer=True)


def _beside_words(sites: Sites) -> str:
    at = [f"left and right of {one.words}" if one.words == "the stand" else f"beside {one.words}" for one in sites.spots]
    return f"two more floor boards, {', and two '.join(at + [f'beside {one.words}' for one in sites.mats])}"


def _larger_words(sites: Sites) -> str:
    return f"the larger boards (A3) on wheels{' and stand' if len(sites.spots) == 1 else ' and stands' if sites.spots else ''}"


def _try(setting: Setting) -> Decided | None:
    try:
        predicted = predict(setting)
        return decide_all(predicted.placed, predicted.joint)
    except MeasurementError:
        return None


def _with_photos(setting: Setting, more: Sequence[PhotoPlace]) -> Setting:
    return replace(setting, bay=replace(setting.bay, photos=(*setting.bay.photos, *more)))


def _with_floor_boards(setting: Setting, sites: Sites) -> Setting:
    """Copies of a floor board with ids that no other board has, at the targets."""
    bay = setting.bay
    pattern = setting.boards[bay.floor[0].board]
    boards, floor = list(setting.boards), list(bay.floor)
    for i, place in enumerate(beside_targets(bay, sites.spots, sites.mats)):
        board = replace(pattern, name=f"floor-more-{i + 1}", first_id=free_ids(boards, pattern))
        boards.append(board)
        floor.append(FloorPlace(board.name, *place))
    return replace(setting, boards=BoardSet(tuple(boards)), bay=replace(bay, floor=tuple(floor)))


def _with_larger_boards(setting: Setting) -> Setting:
    """With ids that no other board has: the set may have others where the larger boards have theirs."""
    larger, boards = starter_boards("a3"), list(setting.boards)
    for i, board in enumerate(boards):
        if board.name in larger and board.is_charuco and larger[board.name].square_mm > board.square_mm:
            like = larger[board.name]
            size = replace(board, columns=like.columns, rows=like.rows, square_mm=like.square_mm, marker_mm=like.marker_mm)
            boards[i] = replace(size, first_id=free_ids([*boards[:i], *boards[i + 1 :]], size))
    return replace(setting, boards=BoardSet(tuple(boards)))
