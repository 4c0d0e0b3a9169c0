"""Marks that will be touched with the stylus: where it is held then, and where a person stands who photographs it.

The stylus is as its maker meant it: the tip 100 mm below the pattern's middle. A person leans it to one side after another and
photographs it from both sides, with floor boards beyond it in the picture.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calib.geometry.intended import BAY, in_the_car, look_at, mm_place, named_mm
from calib.geometry.intended_targets import Intended, mark_places
from calib.geometry.stylus import Tip
from calib.paper.bay import BayPlan, PhotoPlace
from calib.paper.placements import POINT
from vision.boards import Board
from vision.frames import Array, Pose

BELOW_MM, BEFORE_MM = 100.0, 12.0
TAUGHT_MM = (0.03, 0.03, 0.02)
"""σ of a tip in its board's axes after a dozen photos of the teaching, 1080p (`python -m tests.benchmarks.touched_points`)."""
LEANED_RAD, TURNED_RAD = math.radians(22.0), math.radians(30.0)
OFF_MM, UP_MM = 800.0, 650.0
"""From the mark to the camera, level and up: some metre away."""
ASIDE_DEG = (20.0, 35.0, 50.0)
STEPS_BACK = (1.0, 1.2, 1.4, 1.6, 1.8)
NEAREST, OFF_THE_CAR_MM = 4, 150.0


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One way to photograph the stylus on a mark."""

    place: PhotoPlace
    bay_from_cam: Pose
    bay_from_board: Pose


def usual_tip(board: Board) -> Tip:
    """The tip of a stylus in its board's frame, as surely known as it will be taught."""
    width, height = board.size_mm
    return Tip("usual", np.array([width / 2, height + BELOW_MM, BEFORE_MM]), np.diag(np.square(TAUGHT_MM)))


def touched_places(bay: BayPlan, target: Intended) -> dict[str, Array]:
    """Points of a mat that have to be touched, (3,) each, by the name of the point: where the sheet wants the mark they are.

    Raises
    ------
    MeasurementError
        A mark between several touched points, whose places the bay file does not give.
    """
    wanted, out = mark_places(bay, target.sheet), {}
    for mark in target.touched:
        place = target.sheet.place(mark.at)
        for body, _ in place:
            if body.startswith(POINT):
                at = [*wanted[mark.name], 0.0] if len(place) == 1 else named_mm(bay, ((body, 1.0),))
                out[body.removeprefix(POINT)] = np.asarray(at, dtype=float)
    return out


def looks(bay: BayPlan, board: Board, name: str, point_mm: Array, number: int) -> Iterator[Look]:
    """Ways to take one photo of the stylus on a point, the nearest first; of odd and even numbers from its left and right."""
    side = 1.0 if number % 2 else -1.0
    heading = _away(bay, point_mm) + side * math.radians(ASIDE_DEG[(number // 2) % len(ASIDE_DEG)])
    around = number * math.radians(137.5)  # the golden angle: every photo leans another way, however many there are
    rod = np.array([math.cos(around) * math.sin(LEANED_RAD), math.sin(around) * math.sin(LEANED_RAD), math.cos(LEANED_RAD)])
    for back in STEPS_BACK:
        eye = point_mm + back * np.array([OFF_MM * math.cos(heading), OFF_MM * math.sin(heading), UP_MM])
        if in_the_car(bay, eye, OFF_THE_CAR_MM):
            continue
        held = _held(board, point_mm, rod, eye, side * TURNED_RAD)
        middle = held.apply(board.centre_mm)
        for beside in _pairs(bay, point_mm):
            towards = middle + 0.5 * (beside - middle)
            words = f"stylus on {name}, from its {'left' if side > 0 else 'right'}"
            yield Look(PhotoPlace("touch", mm_place(eye), mm_place(towards), False, words), look_at(eye, towards), held)


def _away(bay: BayPlan, point_mm: Array) -> float:
    """Direction from the nearest floor boards over the point, where the photographer stands; never in the car."""
    near = _nearest(bay, point_mm)
    away = point_mm[:2] - near.mean(axis=0)[:2]
    heading = math.atan2(away[1], away[0])
    for turn in (0.0, math.pi / 2, -math.pi / 2, math.pi):
        eye = point_mm[:2] + 1.4 * OFF_MM * np.array([math.cos(heading + turn), math.sin(heading + turn)])
        if not in_the_car(bay, eye, OFF_THE_CAR_MM):
            return heading + turn
    return heading


def _nearest(bay: BayPlan, point_mm: Array) -> Array:
    places = np.array([[place.ahead_mm, place.left_mm, 0.0] for place in bay.floor])
    order = np.argsort(np.linalg.norm((places - point_mm)[:, :2], axis=1))
    return np.asarray(places[order[:NEAREST]], dtype=float)


def _pairs(bay: BayPlan, point_mm: Array) -> list[Array]:
    """Middles of two of the nearest floor boards."""
    return [(a + b) / 2 for a, b in itertools.combinations(_nearest(bay, point_mm), 2)]


def _held(board: Board, point_mm: Array, rod: Array, eye_mm: Array, turn_rad: float) -> Pose:
    """`bay_from_board` with the tip on the point, the board in direction `rod` from it, its face `turn_rad` beside the eye."""
    away = point_mm + 200.0 * rod - eye_mm
    away = away - (away @ rod) * rod
    away = away / np.linalg.norm(away)
    down = -rod
    right = np.cross(down, away)
    turned = math.cos(turn_rad) * away + math.sin(turn_rad) * right
    rotation = np.column_stack([np.cross(down, turned), down, turned])
    return Pose.from_rt(BAY, board.name, rotation, point_mm - rotation @ usual_tip(board).mm)
