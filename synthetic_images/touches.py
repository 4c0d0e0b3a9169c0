"""Photos of a stylus held by hand: its tip on a dimple while it is taught, or on a point while that is touched.

The board sits on the stylus with the tip below its pattern (board y). Its owner leans it towards the camera, away from it and
to the sides, and looks that the board, not too steep, and three floor boards (at least two) are in the picture.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from synthetic_images.bay import Bay, Bend, Epoch
from synthetic_images.corners import BoardCorners, framed_corners, visible_corners
from synthetic_images.misprint import draw_misprints
from synthetic_images.rigid import Array, across, apply, look_at, rigid, rot_y, unit
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera
from vision.boards import Board, BoardSet, PrintScale

TEACH = "teach"
TRIES = 60
WANTED_FLOOR_BOARDS, LEAST_FLOOR_BOARDS = 3, 2
"""Two floor boards let the camera turn about the line through them; a third one beside it is looked for first."""
LEAST_CORNERS = 12
STEP_BACK = 0.8
"""How much further back, in parts of the distance, the owner is ready to go to get floor boards into the picture."""
STEEPEST_RAD = math.radians(65.0)


@dataclass(frozen=True, slots=True)
class TrueStylus:
    """The board on the stylus and where the tip really is in the board frame, mm."""

    board: str
    tip_mm: tuple[float, float, float]


def touch_epoch(name: str) -> str:
    """Epoch, and photo folder, of a touched point."""
    return f"touch-{name}"


def true_stylus(nominal: Board, rng: np.random.Generator) -> TrueStylus:
    """A stylus some 100 mm longer than its board, its tip about where its maker meant it to be."""
    width, height = nominal.size_mm
    meant = np.array([width / 2, height + 100.0, 12.0])
    x, y, z = meant + rng.uniform(-5.0, 5.0, 3)
    return TrueStylus(nominal.name, (float(x), float(y), float(z)))


def with_stylus(
    bay: Bay,
    nominal: Board,
    rng: np.random.Generator,
    epochs: Sequence[str],
    *,
    bend_sigma_mm: float = 0.0,
    own: float = 1e-4,
    like: str = "rest",
) -> Bay:
    """The bay with the stylus board, printed with its print run, and with epochs in which all stands as in `like`."""
    run = [board for board in bay.boards if board.print_run == nominal.print_run]
    common = np.mean([(board.scale.x, board.scale.y) for board in run], axis=0) if run else np.ones(2)
    x, y = common + rng.uniform(-own, own, 2)
    board = replace(nominal, scale=PrintScale(float(x), float(y), 0.0, 0.0))
    misprints = {**bay.misprints, **draw_misprints([board], rng)} if bay.misprints else {}
    bends = dict(bay.bends)
    if bend_sigma_mm:
        bends[board.name] = Bend(
            float(np.clip(rng.normal(0, bend_sigma_mm), -0.6, 0.6)), along_rad=float(rng.uniform(0, math.pi))
        )
    more = tuple(replace(bay.epoch(like), name=name) for name in epochs)
    boards = BoardSet((*bay.boards, board))
    return replace(bay, boards=boards, epochs=_in_order(bay.epochs, more), bends=bends, misprints=misprints)


def _in_order(epochs: tuple[Epoch, ...], more: tuple[Epoch, ...]) -> tuple[Epoch, ...]:
    new = {epoch.name for epoch in more}
    return (*(epoch for epoch in epochs if epoch.name not in new), *more)


def teach_shots(
    bay: Bay, camera: TrueCamera, rng: np.random.Generator, stylus: TrueStylus, point_mm: Array, count: int = 12
) -> list[Shot]:
    """The tip stays in a dimple in the floor; leaned by 25° to 50° to all sides in turn, photographed from all round."""
    shots = []
    for i in range(count):
        around = 2.0 * math.pi * i / count

        def place(around: float = around) -> tuple[Array, Array, float]:
            lean = math.radians(float(rng.uniform(25, 50)))
            heading = around + float(rng.uniform(-0.4, 0.4))
            rod = np.array([math.cos(heading) * math.sin(lean), math.sin(heading) * math.sin(lean), math.cos(lean)])
            from_rad = float(rng.uniform(0, 2 * math.pi))
            eye = point_mm + _reach(rng, from_rad, (550.0, 950.0), (650.0, 1000.0))
            return rod, eye, math.radians(float(rng.choice([-1, 1]) * rng.uniform(15, 45)))

        sentence = f"stylus in the dimple, leaned to {math.degrees(around):.0f}°"
        shots.append(_looked_at(bay, camera, rng, stylus, point_mm, place, f"{i + 1:02d}", TEACH, sentence))
    return shots


def touch_shots(
    bay: Bay,
    camera: TrueCamera,
    rng: np.random.Generator,
    stylus: TrueStylus,
    name: str,
    point_mm: Array,
    outward: Array,
    count: int = 6,
) -> list[Shot]:
    """The tip stays on a point of the car or the floor, seen from its left and right in turn.

    The stylus comes from `outward` (a direction away from what is touched), leaned differently in every photo.
    """
    shots = []
    for i in range(count):
        side = 1.0 if i % 2 else -1.0

        def place(side: float = side) -> tuple[Array, Array, float]:
            rod = unit(unit(outward) + rng.uniform(-0.5, 0.5, 3))
            level = np.array([outward[0], outward[1], 0.0])
            heading = math.atan2(level[1], level[0]) if np.linalg.norm(level) > 1e-6 else float(rng.uniform(0, 2 * math.pi))
            eye = point_mm + _reach(
                rng, heading + side * math.radians(float(rng.uniform(15, 50))), (600.0, 1000.0), (400.0, 900.0)
            )
            return rod, eye, side * math.radians(float(rng.uniform(15, 45)))

        sentence = f"tip on {name}, from its {'left' if side > 0 else 'right'}"
        shots.append(_looked_at(bay, camera, rng, stylus, point_mm, place, f"{i + 1:02d}", touch_epoch(name), sentence))
    return shots


def _reach(rng: np.random.Generator, heading_rad: float, level_mm: tuple[float, float], up_mm: tuple[float, float]) -> Array:
    level = float(rng.uniform(*level_mm))
    return np.array([level * math.cos(heading_rad), level * math.sin(heading_rad), float(rng.uniform(*up_mm))])


def _looked_at(
    bay: Bay,
    camera: TrueCamera,
    rng: np.random.Generator,
    stylus: TrueStylus,
    point_mm: Array,
    place: Callable[[], tuple[Array, Array, float]],
    name: str,
    epoch: str,
    sentence: str,
) -> Shot:
    """A photo that shows enough; the owner tries again when it does not."""
    standing = {board.name: bay.bay_from_floor_board(board) for board in bay.floor_boards}
    for i in range(2 * TRIES):
        wanted, i = (WANTED_FLOOR_BOARDS, i) if i < TRIES else (LEAST_FLOOR_BOARDS, i - TRIES)
        rod, near, turn_rad = place()
        eye = point_mm + (1.0 + STEP_BACK * i / TRIES) * (near - point_mm)
        bay_from_board = held_at(stylus, point_mm, rod, eye, turn_rad)
        middle = apply(bay_from_board, bay.boards[stylus.board].centre_mm)
        towards = middle + float(rng.uniform(0.35, 0.65)) * (_floor_beside(bay, point_mm, rng) - middle)
        roll = math.radians(float(rng.uniform(-5, 5)))
        shot = Shot(name, epoch, sentence, look_at(eye, towards, roll), held={stylus.board: bay_from_board})
        if _shows_enough(partial(framed_corners, bay, camera, shot, max_tilt_rad=STEEPEST_RAD), standing, shot.held, wanted):
            shown = visible_corners(bay, camera, shot, max_tilt_rad=STEEPEST_RAD)
            seen = {one.board: len(one.corner_ids) for one in shown}
            if seen.get(stylus.board, 0) >= LEAST_CORNERS and len(standing.keys() & set(seen)) >= wanted:
                return shot
    raise ValueError(f"no photo of the stylus at {np.round(point_mm)} shows {LEAST_FLOOR_BOARDS} floor boards beside it")


def _shows_enough(
    framed: Callable[[Mapping[str, Array]], Sequence[BoardCorners]],
    standing: Mapping[str, Array],
    held: Mapping[str, Array],
    wanted: int,
) -> bool:
    """Whether a shot would show enough if nothing stood in the way: most tries fail here, at a small part of the price."""
    stylus = framed(held)
    return bool(stylus) and len(stylus[0].corner_ids) >= LEAST_CORNERS and len(framed(standing)) >= wanted


def _floor_beside(bay: Bay, point_mm: Array, rng: np.random.Generator) -> Array:
    """Middle of two of the four floor boards nearest to the point."""
    places = np.array([[board.x_mm, board.y_mm, 0.0] for board in bay.floor_boards])
    nearest = np.argsort(np.linalg.norm((places - point_mm)[:, :2], axis=1))[:4]
    return np.asarray(places[rng.choice(nearest, 2, replace=False)].mean(axis=0))


def held_at(stylus: TrueStylus, point_mm: Array, rod: Array, eye_mm: Array, turn_rad: float) -> Array:
    """`bay_from_board` with the tip on the point, the board in direction `rod` from it, its face `turn_rad` beside the eye."""
    down = -unit(rod)
    away = across(point_mm + 200.0 * unit(rod) - eye_mm, down)
    rotation = np.column_stack([np.cross(down, away), down, away]) @ rot_y(turn_rad)
    # The tip is not exactly below the board: the rod's direction is meant to some degrees only.
    return rigid(rotation, point_mm - rotation @ np.array(stylus.tip_mm))
