"""The unknowns of a bay in its own terms, for the dense Fisher matrix: what each changes, and what is known of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from synthetic_images.bay import Epoch, StandBoard, Wheel
from synthetic_images.rigid import rigid, rot_x, rot_y, rot_z
from tests.benchmarks.reference_bay import CHECK, OWN_PM, PIVOT_SIGMA_MM, ModeBend, ReferenceBay, TrueBay
from vision.boards import NOMINAL_BAR_MM, Board, BoardSet
from vision.boards_io import starter_boards

MM, RAD, RELATIVE = 1e-2, 1e-5, 1e-6
BayChange = Callable[[ReferenceBay, float], ReferenceBay]


@dataclass(frozen=True, slots=True)
class Unknown:
    """One number of the bay: step of the finite difference, how it changes the bay, the boards it moves, σ when it is known.

    `boards` is empty for all boards; `epoch` is "" for all epochs.
    """

    name: str
    step: float
    change: BayChange
    boards: tuple[str, ...] = ()
    epoch: str = ""
    sigma: float = math.inf
    figured: bool = True


def bay_unknowns(one: TrueBay, *, second_board: bool) -> list[Unknown]:
    """Everything but camera and photo places; the first floor board but three fixes the bay's frame on the floor."""
    return [
        *_floor(one),
        *_prints(one),
        *(unknown for wheel in one.bay.wheels for unknown in _wheel(one, wheel)),
        *(unknown for epoch in one.bay.epochs for unknown in _epoch(one, epoch)),
        Unknown("pivot", 1.0, _set("pivot_inboard_mm"), _wheel_boards(one), sigma=PIVOT_SIGMA_MM, figured=False),
        *_target(one),
        *(unknown for i in (0, 1) for unknown in _stand_board(one, i, typed=i == 0 or second_board)),
    ]


def _set(field: str) -> BayChange:
    return lambda bay, d: replace(bay, **{field: getattr(bay, field) + d})


def _floor(one: TrueBay) -> Iterable[Unknown]:
    """Places on the floor are free; a face is as high as its sheet is thick, within what floor and thickness allow."""
    starter = starter_boards("a3" if one.variant == "a3" else "a4")
    for i, board in enumerate(one.bay.floor_boards):
        for key, step in (("x_mm", MM), ("y_mm", MM), ("turn_rad", RAD), ("rock_x_rad", RAD), ("rock_y_rad", RAD)):
            if i != 3 or key.startswith("rock"):
                yield Unknown(f"{board.name}:{key}", step, _floor_board(i, key), (board.name,))
        height = math.hypot(one.known["sigma_heave_mm"], starter[board.name].thickness_pm_mm / 2)
        yield Unknown(f"{board.name}:height", MM, _lift(board.name), (board.name,), sigma=height, figured=False)


def _floor_board(i: int, key: str) -> BayChange:
    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        boards = list(bay.floor_boards)
        boards[i] = replace(boards[i], **{key: getattr(boards[i], key) + d})
        return replace(bay, floor_boards=tuple(boards))

    return change


def _lift(name: str) -> BayChange:
    return lambda bay, d: replace(bay, lifts_mm={**bay.lifts_mm, name: bay.lifts_mm.get(name, 0.0) + d})


def _prints(one: TrueBay) -> Iterable[Unknown]:
    """Scale of each run and board, bends of each board."""
    pm = one.known["bars_pm_mm"] / NOMINAL_BAR_MM
    names = list(one.bay.board_poses(CHECK))
    for run in one.run_scale:
        inside = tuple(name for name in names if one.bay.boards[name].print_run == run)
        for axis in "xy":
            yield Unknown(f"scale:{run}:{axis}", RELATIVE, _scale(inside, axis), inside, sigma=pm / 2, figured=False)
    for name in names:
        bend = one.bay.boards[name].flatness_pm_mm / 2 / math.sqrt(3)
        for axis in "xy":
            yield Unknown(f"own:{name}:{axis}", RELATIVE, _scale((name,), axis), (name,), sigma=OWN_PM / 2, figured=False)
        for k in range(3):
            yield Unknown(f"bend:{name}:{k}", MM, _bend(name, k), (name,), sigma=bend, figured=False)


def _scale(names: tuple[str, ...], axis: str) -> BayChange:
    def larger(board: Board, d: float) -> Board:
        return replace(board, scale=replace(board.scale, **{axis: getattr(board.scale, axis) + d}))

    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        return replace(bay, boards=BoardSet(tuple(larger(b, d) if b.name in names else b for b in bay.boards)))

    return change


def _bend(name: str, k: int) -> BayChange:
    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        now = bay.bends.get(name)
        amplitudes = np.array(now.amplitudes_mm if isinstance(now, ModeBend) else (0.0, 0.0, 0.0))
        amplitudes[k] += d
        return replace(bay, bends={**bay.bends, name: ModeBend(0.0, 0.0, tuple(amplitudes))})

    return change


def _wheel_boards(one: TrueBay) -> tuple[str, ...]:
    return tuple(wheel.board for wheel in one.bay.wheels)


def _wheel(one: TrueBay, wheel: Wheel) -> Iterable[Unknown]:
    """Reference point, toe, camber, mounting (the car's frame is fixed), and how far it had turned in each epoch."""
    for k in range(3):
        yield Unknown(f"{wheel.position}:at:{k}", MM, _wheel_at(wheel.position, k), (wheel.board,))
    for key in ("toe_rad", "camber_rad"):
        yield Unknown(f"{wheel.position}:{key}", RAD, _wheel_value(wheel.position, key), (wheel.board,))
    mounts: tuple[tuple[str, float, float], ...] = (
        ("standoff_mm", MM, one.known["standoff_pm_mm"] / 2),
        ("crooked_rad", RAD, math.inf),
        ("crooked_towards_rad", 1e-3, math.inf),
        ("phase_rad", RAD, math.inf),
    )
    for key, step, sigma in mounts:
        yield Unknown(f"{wheel.position}:{key}", step, _mount(wheel.position, key), (wheel.board,), sigma=sigma, figured=False)
    for k in range(2):
        yield Unknown(f"{wheel.position}:off:{k}", MM, _off_centre(wheel.position, k), (wheel.board,), figured=False)
    for epoch in one.bay.epochs[:-2]:
        name = f"{wheel.position}:spin:{epoch.name}"
        yield Unknown(name, RAD, _spin((wheel.position, epoch.name)), (wheel.board,), epoch.name, figured=False)


def _with_wheel(bay: ReferenceBay, position: str, change: Callable[[Wheel], Wheel]) -> ReferenceBay:
    return replace(bay, wheels=tuple(change(w) if w.position == position else w for w in bay.wheels))


def _wheel_at(position: str, k: int) -> BayChange:
    def shifted(wheel: Wheel, d: float) -> Wheel:
        at = list(wheel.reference_in_car_mm)
        at[k] += d
        return replace(wheel, reference_in_car_mm=(at[0], at[1], at[2]))

    return lambda bay, d: _with_wheel(bay, position, lambda w: shifted(w, d))


def _wheel_value(position: str, key: str) -> BayChange:
    return lambda bay, d: _with_wheel(bay, position, lambda w: replace(w, **{key: getattr(w, key) + d}))


def _mount(position: str, key: str) -> BayChange:
    return lambda bay, d: _with_wheel(
        bay, position, lambda w: replace(w, mount=replace(w.mount, **{key: getattr(w.mount, key) + d}))
    )


def _off_centre(position: str, k: int) -> BayChange:
    def shifted(wheel: Wheel, d: float) -> Wheel:
        off = list(wheel.mount.off_centre_mm)
        off[k] += d
        return replace(wheel, mount=replace(wheel.mount, off_centre_mm=(off[0], off[1])))

    return lambda bay, d: _with_wheel(bay, position, lambda w: shifted(w, d))


def _spin(key: tuple[str, str]) -> BayChange:
    return lambda bay, d: replace(bay, spins_rad={**bay.spins_rad, key: bay.spins_rad.get(key, 0.0) + d})


def _epoch(one: TrueBay, epoch: Epoch) -> Iterable[Unknown]:
    """Motion from rest. Pitch is about the car's middle, where heave is believed small."""
    if epoch.name in ("rest", CHECK):
        return
    boards, known = _wheel_boards(one), one.known
    tilt, middle = math.radians(known["sigma_tilt_deg"]), one.bay.wheel("front_left").reference_in_car_mm[0] / 2
    for key, step, sigma in (
        ("travel_mm", MM, math.inf),
        ("slip_mm", MM, math.inf),
        ("yaw_rad", RAD, math.inf),
        ("steer_rad", RAD, math.inf),
        ("heave_mm", MM, known["sigma_heave_mm"]),
        ("roll_rad", RAD, tilt),
    ):
        yield Unknown(f"{epoch.name}:{key}", step, _motion(epoch.name, {key: 1.0}), boards, epoch.name, sigma, figured=False)
    pitch = _motion(epoch.name, {"pitch_rad": 1.0, "heave_mm": middle})
    yield Unknown(f"{epoch.name}:pitch", RAD, pitch, boards, epoch.name, tilt, figured=False)


def _motion(name: str, by: dict[str, float]) -> BayChange:
    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        epochs = (
            replace(e, **{key: getattr(e, key) + d * factor for key, factor in by.items()}) if e.name == name else e
            for e in bay.epochs
        )
        return replace(bay, epochs=tuple(epochs))

    return change


def _target(one: TrueBay) -> Iterable[Unknown]:
    boards = tuple(row["name"] for row in one.reference["stand"]["boards"])
    for k in range(6):
        yield Unknown(f"target:{k}", RAD if k < 3 else MM, _moved_target(k), boards, CHECK)


def _moved_target(k: int) -> BayChange:
    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        step = np.zeros(6)
        step[k] = d
        target = bay.bay_from_target(CHECK)
        turned = rot_z(step[2]) @ rot_y(step[1]) @ rot_x(step[0]) @ target[:3, :3]
        return replace(bay, target=rigid(turned, target[:3, 3] + step[3:]))

    return change


def _stand_board(one: TrueBay, i: int, *, typed: bool) -> Iterable[Unknown]:
    name, known = one.reference["stand"]["boards"][i]["name"], one.known
    place = known["stand_place_pm_mm"] / 2
    behind, turn = known["stand_behind_pm_mm"] / 2, math.radians(known["stand_turn_pm_deg"] / 2)
    tilt = math.radians(known["stand_parallel_pm_deg"] / 2)
    for key, step, sigma in (("right_mm", MM, place), ("up_mm", MM, place), ("behind_mm", MM, behind), ("turn_rad", RAD, turn)):
        yield Unknown(f"{name}:{key}", step, _attached(i, key), (name,), CHECK, sigma if typed else math.inf, figured=False)
    for k in range(2):
        yield Unknown(f"{name}:tilt:{k}", RAD, _tilt(name, k), (name,), CHECK, tilt if typed else math.inf, figured=False)


def _attached(i: int, key: str) -> BayChange:
    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        target, stand = bay.bay_from_target(CHECK), bay.epoch(CHECK).stand
        if stand is None:
            raise ValueError("no stand in this bay")
        boards: list[StandBoard] = list(stand.boards)
        boards[i] = replace(boards[i], **{key: getattr(boards[i], key) + d})
        epochs = tuple(replace(e, stand=replace(stand, boards=tuple(boards))) if e.name == CHECK else e for e in bay.epochs)
        return replace(bay, epochs=epochs, target=target)

    return change


def _tilt(name: str, k: int) -> BayChange:
    def change(bay: ReferenceBay, d: float) -> ReferenceBay:
        tilt = list(bay.tilts.get(name, (0.0, 0.0)))
        tilt[k] += d
        return replace(bay, tilts={**bay.tilts, name: (tilt[0], tilt[1])})

    return change
