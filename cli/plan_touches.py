"""Touched marks of a plan: photos of the stylus imagined on each, as many as are asked for, each with floor boards in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from calib.bodies import REST, held_body, touch_view
from calib.geometry.intended import in_the_way
from calib.geometry.intended_touches import Look, looks, touched_places, usual_tip
from calib.geometry.stylus import TouchedBy
from calib.paper.bay import PhotoPlace
from calib.paper.epochs import touch_folder
from calib.paper.job import Job
from cli.plan_job import Setting
from vision.errors import MeasurementError
from vision.frames import Array, Pose
from vision.imagined import Solid, imagine
from vision.observations import View
from vision.sightings import PhotoSightings

STYLUS_BOARD = "stylus-1"
WANTED_FLOOR_BOARDS, LEAST_FLOOR_BOARDS = 3, 2


@dataclass(frozen=True, slots=True, eq=False)
class Touches:
    """Photos of the stylus, where the camera and its board are in each (frame "bay"), and the points they touch."""

    views: tuple[View, ...] = ()
    cameras: Mapping[str, Pose] = field(default_factory=dict)
    bodies: Mapping[str, Pose] = field(default_factory=dict)
    points: tuple[TouchedBy, ...] = ()
    listed: tuple[tuple[str, PhotoPlace, tuple[str, ...]], ...] = ()


def imagined_touches(setting: Setting, job: Job, standing: Mapping[str, Pose]) -> Touches:
    """Photos of the stylus on every mark that has to be touched.

    Raises
    ------
    MeasurementError
        No stylus board in the set; a mark with too few floor boards about it.
    """
    places = {name: at for target in setting.targets for name, at in touched_places(setting.bay, target).items()}
    if not places:
        return Touches()
    if STYLUS_BOARD not in setting.boards:
        raise MeasurementError(
            f"marks have to be touched ({', '.join(places)}), and the board set has no {STYLUS_BOARD}",
            hint="add one (bayfix boards new has it), or lay boards on the mat and give its mat file: --stand NAME=mat.toml",
        )
    views, cameras, bodies, points, listed = [], {}, {}, [], []
    for name, at in places.items():
        epoch, held = touch_folder(name), []
        for i in range(setting.touches):
            photo = f"{epoch}/{i + 1:02d}"
            look, seen = _best(setting, standing, photo, name, at, i)
            view = touch_view(seen, setting.lens.name, epoch, job, STYLUS_BOARD, job.car_boards())
            held.append(held_body(STYLUS_BOARD, photo))
            cameras[photo] = look.bay_from_cam
            bodies[held[-1]] = Pose("bay", held[-1], look.bay_from_board.transform)
            views.append(view)
            listed.append((epoch, look.place, tuple(s.board for s in view.seen)))
        points.append(TouchedBy(name, tuple(held), usual_tip(setting.boards[STYLUS_BOARD])))
    return Touches(tuple(views), cameras, bodies, tuple(points), tuple(listed))


def _best(
    setting: Setting, standing: Mapping[str, Pose], photo: str, name: str, at: Array, number: int
) -> tuple[Look, PhotoSightings]:
    """The first look that shows the stylus board and enough floor boards, or the one that shows most of them."""
    floor = {place.board for place in setting.bay.floor}
    there = {board: standing[board] for board in floor}
    solids = [Solid(block.low, block.high) for block in in_the_way(setting.bay, REST)]
    best: tuple[int, Look, PhotoSightings] | None = None
    for look in looks(setting.bay, setting.boards[STYLUS_BOARD], name, at, number):
        here = {**there, STYLUS_BOARD: look.bay_from_board}
        seen = imagine(photo, look.bay_from_cam, setting.lens.camera, setting.boards, here, solids, setting.light)
        boards = {sighting.board for sighting in seen.found}
        count = len(boards & floor) if STYLUS_BOARD in boards else 0
        if best is None or count > best[0]:
            best = count, look, seen
        if count >= WANTED_FLOOR_BOARDS:
            break
    if best is None or best[0] < LEAST_FLOOR_BOARDS:
        raise MeasurementError(
            f"no photo of the stylus on {name} shows {LEAST_FLOOR_BOARDS} floor boards beside it",
            hint="lay three floor boards or more within a metre of it (bay file: [[floor]])",
        )
    return best[1], best[2]
