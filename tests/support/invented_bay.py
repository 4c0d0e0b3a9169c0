"""Bays for the tests of `synthetic_images`: a plain one with figures one can work by hand, and the boards both use."""

from __future__ import annotations

import math

import numpy as np

from synthetic_images.bay import WHEEL_POSITIONS, Bay, Epoch, Floor, FloorBoard, Mount, Stand, StandBoard, Wheel, car_on_floor
from vision.boards import Board, BoardSet

DICTIONARY = "DICT_APRILTAG_36h11"


def some_boards(floor_boards: int = 16) -> BoardSet:
    names = [("wheel-front-left", 7, 5, 36.0), ("wheel-front-right", 7, 5, 36.0), ("wheel-rear-left", 7, 5, 36.0)]
    names += [("wheel-rear-right", 7, 5, 36.0), ("stand-1", 7, 5, 36.0), ("stand-2", 7, 5, 36.0), ("lens-1", 9, 6, 30.0)]
    names += [(f"floor-{i + 1}", 5, 4, 48.0) for i in range(floor_boards)]
    boards, first = [], 0
    for name, columns, rows, square in names:
        boards.append(Board(name, columns, rows, square, 0.75 * square, DICTIONARY, first, thickness_mm=4.0))
        first += boards[-1].marker_count
    return BoardSet(tuple(boards))


def plain_bay(
    *,
    toe_deg: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
    camber_deg: float = 0.0,
    stand: Stand | None = None,
    mount: Mount | None = None,
    epochs: tuple[Epoch, ...] = (),
) -> Bay:
    """A level floor, a car on the x axis with its rear axle at 0 and its front axle at 2600 mm, track 1560 mm, radius 320 mm.

    `toe_deg` in the order of `WHEEL_POSITIONS`.
    """
    boards = some_boards(12)
    wheels = []
    for position, toe in zip(WHEEL_POSITIONS, toe_deg, strict=True):
        axle, side = position.split("_")
        reference = (2600.0 if axle == "front" else 0.0, 780.0 if side == "left" else -780.0, 320.0)
        wheels.append(
            Wheel(
                position,
                f"wheel-{axle}-{side}",
                reference,
                math.radians(toe),
                math.radians(camber_deg),
                320.0,
                mount or Mount(110.0, phase_rad=0.2),
            )
        )
    spots = [(x, y) for x in (-600.0, 600.0, 1800.0, 3200.0) for y in (-1300.0, 1300.0)] + [
        (4000.0, y) for y in (-900.0, -300.0, 300.0, 900.0)
    ]
    floor_boards = tuple(FloorBoard(f"floor-{i + 1}", x, y, 0.1 + 0.05 * i) for i, (x, y) in enumerate(spots))
    stand = stand or Stand(2500.0, 0.0, 1200.0, 0.0, 0.0, 0.0)
    if not stand.boards:
        stand = Stand(
            stand.distance_mm,
            stand.lateral_mm,
            stand.height_mm,
            stand.yaw_rad,
            stand.pitch_rad,
            stand.roll_rad,
            (StandBoard("stand-1", 200.0, 50.0, math.radians(10.0), 4.0),),
            stand.origin,
            stand.line,
        )
    all_epochs = (*epochs, Epoch("rest"), Epoch("check-1", stand=stand))
    return Bay(boards, Floor(), floor_boards, tuple(wheels), car_on_floor(Floor(), 0.0, 0.0, 0.0), all_epochs)


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)
