"""Invent a bay: a mid-size car of no make, boards mounted as people mount them, a floor as floors are."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from synthetic_images.bay import (
    WHEEL_POSITIONS,
    Bay,
    Bend,
    Epoch,
    Floor,
    FloorBoard,
    Mount,
    Stand,
    StandBoard,
    Wheel,
    car_on_floor,
)
from vision.boards import Board, BoardSet, PrintScale

WHEELBASE_MM = 2650.0
ROLL_EPOCHS = 3
WAVES = 4


def random_bay(
    boards: BoardSet,
    rng: np.random.Generator,
    *,
    stand: Stand | None = None,
    true_scales: Mapping[str, tuple[float, float]] | None = None,
    bend_mm: float = 0.0,
    roll_epochs: int = ROLL_EPOCHS,
) -> Bay:
    """An invented bay with known truth.

    Parameters
    ----------
    boards : BoardSet
        Named wheel-front-left, wheel-front-right, wheel-rear-left, wheel-rear-right, floor-1 ... floor-N (N >= 12), stand-1,
        stand-2, lens-1. Their measured scale is not used; thickness is varied inside its ±.
    rng : numpy Generator
    stand : Stand, optional
        Where the target really stands in `check-1`; drawn around 2.6 m ahead of the front axle when left out. Its boards are
        added when it has none.
    true_scales : mapping of board name to (x, y), optional
        Printed over nominal size; see `draw_true_scales`, which is used when left out.
    bend_mm : float
        Largest bend amplitude drawn for every board; 0 for flat boards (renders faster).
    roll_epochs : int
        Epochs before `rest`, spread over about 270 degrees of wheel turn.
    """
    true_boards = _as_they_are(boards, true_scales or draw_true_scales(boards, rng), rng)
    waves = tuple(_wave(rng) for _ in range(WAVES))
    floor = Floor(float(rng.uniform(-0.006, 0.006)), float(rng.uniform(-0.006, 0.006)), waves)
    wheels = _wheels(rng)
    bay_from_car = car_on_floor(
        floor, float(rng.uniform(-40, 40)), float(rng.uniform(-30, 30)), math.radians(float(rng.uniform(-0.8, 0.8)))
    )
    target = stand or _draw_stand(rng)
    if not target.boards:
        target = replace(target, boards=_stand_boards(rng))
    epochs = (*_roll_epochs(wheels, rng, roll_epochs), Epoch("rest"), Epoch("check-1", stand=target))
    bends = {}
    if bend_mm > 0:
        bends = {b.name: Bend(float(rng.uniform(-bend_mm, bend_mm)), float(rng.uniform(0, math.pi))) for b in true_boards}
    return Bay(true_boards, floor, _floor_boards(true_boards, rng), wheels, bay_from_car, epochs, bends)


def draw_true_scales(
    boards: BoardSet, rng: np.random.Generator, *, common: float = 0.002, own: float = 0.0001
) -> dict[str, tuple[float, float]]:
    """True print scales (x, y): a part common to each print run within ±`common` and an own part within ±`own`."""
    runs: dict[str, tuple[float, float]] = {}
    scales = {}
    for board in boards:
        run = runs.setdefault(board.print_run, (float(rng.uniform(-common, common)), float(rng.uniform(-common, common))))
        scales[board.name] = (1.0 + run[0] + float(rng.uniform(-own, own)), 1.0 + run[1] + float(rng.uniform(-own, own)))
    return scales


def _as_they_are(boards: BoardSet, scales: Mapping[str, tuple[float, float]], rng: np.random.Generator) -> BoardSet:
    def true(board: Board) -> Board:
        x, y = scales[board.name]
        thickness = board.thickness_mm + float(rng.uniform(-1, 1)) * min(board.thickness_pm_mm, board.thickness_mm)
        return replace(board, scale=PrintScale(x, y, 0.0, 0.0), thickness_mm=thickness)

    return BoardSet(tuple(true(board) for board in boards))


def _wave(rng: np.random.Generator) -> tuple[float, float, float, float]:
    length_mm, heading = float(rng.uniform(2500, 6000)), float(rng.uniform(0, math.pi))
    k = 2 * math.pi / length_mm
    return float(rng.uniform(0.2, 0.7)), k * math.cos(heading), k * math.sin(heading), float(rng.uniform(0, 2 * math.pi))


def _wheels(rng: np.random.Generator) -> tuple[Wheel, ...]:
    def deg(spread: float, middle: float = 0.0) -> float:
        return math.radians(middle + float(rng.uniform(-spread, spread)))

    base = WHEELBASE_MM + float(rng.uniform(-20, 20))
    setback = float(rng.uniform(-5, 5))
    radius = float(rng.uniform(312, 322))
    half = {"front": 785.0 + float(rng.uniform(-5, 5)), "rear": 780.0 + float(rng.uniform(-5, 5))}
    shift = {"front": float(rng.uniform(-3, 3)), "rear": 0.0}
    wheels = []
    for position in WHEEL_POSITIONS:
        axle, side = position.split("_")
        left = 1.0 if side == "left" else -1.0
        own_radius = radius + float(rng.uniform(-1.2, 1.2))
        x = base + left * setback / 2 if axle == "front" else 0.0
        mount = Mount(
            standoff_mm=115.0 + float(rng.uniform(-8, 8)),
            crooked_rad=math.radians(float(rng.uniform(0.8, 5.0))),
            crooked_towards_rad=float(rng.uniform(0, 2 * math.pi)),
            phase_rad=float(rng.uniform(0, 2 * math.pi)),
            off_centre_mm=(float(rng.uniform(-18, 18)), float(rng.uniform(-18, 18))),
        )
        wheels.append(
            Wheel(
                position,
                f"wheel-{axle}-{side}",
                (x, left * half[axle] + shift[axle], own_radius),
                toe_rad=deg(0.12, 0.06),
                camber_rad=deg(0.5, -0.6 if axle == "front" else -1.1),
                radius_mm=own_radius,
                mount=mount,
            )
        )
    return tuple(wheels)


def _roll_epochs(wheels: tuple[Wheel, ...], rng: np.random.Generator, count: int) -> list[Epoch]:
    """The car comes from behind and rolls along its own thrust line, as a car does, with a little wander."""
    radius = wheels[0].radius_mm
    rear_left, rear_right = (w.axis_in_car() for w in wheels[2:])
    crab = (math.atan2(-rear_left[0], rear_left[1]) + math.atan2(rear_right[0], -rear_right[1])) / 2
    epochs = []
    for i in range(count):
        turn = math.radians(270.0) * (count - i) / count + math.radians(float(rng.uniform(-8, 8)))
        travel = -radius * turn
        epochs.append(
            Epoch(
                f"roll-{i + 1}",
                travel_mm=travel,
                slip_mm=travel * math.tan(crab) + float(rng.normal(0, 1.5)),
                heave_mm=float(rng.normal(0, 0.7)),
                yaw_rad=math.radians(float(rng.normal(0, 0.08))),
                pitch_rad=math.radians(float(rng.normal(0, 0.02))),
                roll_rad=math.radians(float(rng.normal(0, 0.02))),
                steer_rad=math.radians(float(rng.normal(0, 0.3))),
            )
        )
    return epochs


def _draw_stand(rng: np.random.Generator) -> Stand:
    def about(middle: float, spread: float) -> float:
        return middle + float(rng.uniform(-spread, spread))

    yaw, pitch, roll = (math.radians(about(0, 0.5)) for _ in range(3))
    return Stand(about(2600, 20), about(0, 15), about(1250, 12), yaw, pitch, roll)


def _stand_boards(rng: np.random.Generator) -> tuple[StandBoard, ...]:
    def turn(sign: float) -> float:
        return sign * math.radians(float(rng.uniform(1.5, 6)))

    def near(value: float) -> float:
        return value + float(rng.uniform(-6, 6))

    return (
        StandBoard("stand-1", near(-260), near(-70), turn(1), 4.0 + float(rng.uniform(-0.1, 0.1))),
        StandBoard("stand-2", near(260), near(60), turn(-1), 4.0 + float(rng.uniform(-0.1, 0.1))),
    )


def floor_places(count: int) -> list[tuple[float, float]]:
    """Where `count` floor boards go, mm, from the rear axle's middle at rest: outside the wheel paths and the stand's path.

    Along both sides for all roll epochs, across the front (tying left and right and surrounding the stand), behind the car.
    """
    if count < 12:
        raise ValueError(f"a bay needs at least 12 floor boards, not {count}")
    behind = [(-1400.0, 330.0), (-1400.0, -330.0)] if count >= 14 else []
    front = [(3850.0, 620.0), (3850.0, -620.0), (4650.0, 480.0), (4650.0, -480.0)]
    spare = count - len(front) - len(behind)
    left, right = math.ceil(spare / 2), spare // 2
    sides = [(float(x), 1290.0) for x in np.linspace(-1750, 3250, left)] + [
        (float(x), -1290.0) for x in np.linspace(-1750, 3250, right)
    ]
    return sides + front + behind


def _floor_boards(boards: BoardSet, rng: np.random.Generator) -> tuple[FloorBoard, ...]:
    names = [board.name for board in boards if board.name.startswith("floor-")]
    out = []
    for name, (x, y) in zip(names, floor_places(len(names)), strict=True):
        along = 0.0 if abs(y) > 1000 else math.pi / 2
        turn = along + math.radians(float(rng.choice([-1, 1]) * rng.uniform(2, 12)))
        rock_x, rock_y = (math.radians(float(rng.normal(0, 0.1))) for _ in range(2))
        out.append(FloorBoard(name, x + float(rng.uniform(-40, 40)), y + float(rng.uniform(-25, 25)), turn, rock_x, rock_y))
    return tuple(out)
