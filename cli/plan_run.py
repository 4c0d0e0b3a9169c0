"""The stations of a plan: imagine every photo of the bay as it is meant to be, adjust it as if it were taken, and read U off.

No figure is made up for this: the same network, roll fit and placement that a measurement uses, with photos that are free of
errors and as sure as photos will be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from calib.bodies import REST, not_tied_in_words, tape_distances, view_of
from calib.decision.verdict import Rule
from calib.geometry.intended import (
    CHECK_EPOCH,
    board_places,
    camera_place,
    in_the_way,
    photos_in,
    with_meant_points,
)
from calib.geometry.intended_targets import Intended, carried_places, plates
from calib.geometry.joint import Placed, joint_errors, set_aside
from calib.geometry.mat_boards import with_mat_marks
from calib.geometry.mats import mat_placement
from calib.geometry.places import with_board_marks
from calib.geometry.stylus import with_touched
from calib.paper.bay import PhotoPlace
from calib.paper.job import Job
from calib.paper.mat import Mat
from calib.paper.stand import Stand
from calib.pipeline import Car, car_of, check_of
from cli.mat_run import marked_sheet
from cli.plan_job import Setting, job_of
from cli.plan_touches import imagined_touches
from vision.errors import MeasurementError
from vision.frames import Estimate, Pose
from vision.imagined import Face, Solid, imagine, known_start, need_tied
from vision.network import Network, adjust_network
from vision.network_start import NotTiedError
from vision.observations import View
from vision.poses import PoseSet

SELDOM = 3
"""A board in fewer photos of the survey than this hangs on each of them."""


@dataclass(frozen=True, slots=True, eq=False)
class Predicted:
    """What a measurement of this setting would give.

    Attributes
    ----------
    placed : tuple of Placed
        A placement for each target, with the covariance that its figures would have.
    joint : Estimate
        Errors of all targets (`calib.geometry.joint.joint_errors`).
    car : Car
    not_measured : tuple of dict of figure to str
        For each target.
    photos : tuple of (epoch, PhotoPlace, names of the boards it shows)
    corners : int
    """

    placed: tuple[Placed, ...]
    joint: Estimate
    car: Car
    not_measured: tuple[Mapping[str, str], ...]
    photos: tuple[tuple[str, PhotoPlace, tuple[str, ...]], ...]
    corners: int

    @property
    def seldom(self) -> dict[str, int]:
        """Boards that few photos of the survey show, and how many."""
        count: dict[str, int] = {}
        for epoch, _, boards in self.photos:
            if epoch == REST or epoch.startswith("roll-"):
                for board in boards:
                    count[board] = count.get(board, 0) + 1
        return {board: n for board, n in count.items() if n < SELDOM}


def predict(setting: Setting, rule: Rule = Rule.PROBABILITY) -> Predicted:
    """Measure the imagined bay.

    Raises
    ------
    MeasurementError
        The photos of the plan do not tie the bay together, or show too little; says which photo to add.
    """
    job = job_of(setting)
    standing = board_places(setting.bay, setting.boards, job.wheel_boards())
    for target in setting.targets:
        standing |= carried_places(setting.bay, setting.boards, target)
    views, cameras, listed = _views(setting, job, standing)
    survey_views = [view for epoch, some in views.items() if epoch != CHECK_EPOCH for view in some]
    touches = imagined_touches(setting, job, standing)
    later = [list(touches.views), views[CHECK_EPOCH]]
    datum = _datum(survey_views, setting)
    cameras, standing = {**cameras, **touches.cameras}, {**standing, **touches.bodies}
    everything = [*survey_views, *later[0], *later[1]]
    try:
        need_tied(survey_views)
        need_tied(everything)
        network = _adjusted(setting, survey_views, cameras, standing, datum, job, None)
        for some in later:
            network = _adjusted(setting, some, cameras, standing, datum, job, network) if some else network
    except NotTiedError as err:
        raise not_tied_in_words(err.groups, job, everything) from err
    poses = with_touched(network.poses, touches.points)
    car = car_of(poses, job, setting.boards, (*setting.bay.roll_epochs, REST))
    survey_from_bay = Pose("survey", "bay", standing[datum].transform.inv())
    car = replace(car, poses=with_meant_points(car.poses, setting.bay, survey_from_bay))
    placed, joint, not_measured = _placed(setting, job, car, rule)
    corners = sum(len(s.sighting.corner_ids) for view in everything for s in view.seen)
    return Predicted(placed, joint, car, not_measured, (*listed, *touches.listed), corners)


def _placed(
    setting: Setting, job: Job, car: Car, rule: Rule
) -> tuple[tuple[Placed, ...], Estimate, tuple[Mapping[str, str], ...]]:
    """Target after target on the same car, each deriving its bodies upon those of the ones before it."""
    placed: list[Placed] = []
    not_measured: list[Mapping[str, str]] = []
    for i, target in enumerate(setting.targets):
        if isinstance(target.carrier, Stand):
            outcome = check_of(car, job, target.sheet, target.carrier, setting.boards, CHECK_EPOCH, rule=rule)
            poses, one = outcome.poses, Placed(target.sheet, outcome.placement)
            missing: Mapping[str, str] = outcome.judgement.not_measured
        else:
            poses, one = _mat_placed(setting, job, car, target)
            missing = {}
        placed.append(one)
        not_measured.append(missing)
        car = replace(car, poses=set_aside(car.poses, poses, i))
    return tuple(placed), joint_errors(car.poses, placed), tuple(not_measured)


def _mat_placed(setting: Setting, job: Job, car: Car, target: Intended) -> tuple[PoseSet, Placed]:
    """As `cli.mat_run` places the marks of a mat: by its boards, where it has any, the others touched."""
    marked, poses = target.sheet, car.poses
    if isinstance(target.carrier, Mat):
        mat = target.carrier
        bodies = {board: f"{board}@{CHECK_EPOCH}" for board in mat.board_names if f"{board}@{CHECK_EPOCH}" in poses}
        if not bodies:
            raise MeasurementError(
                f"no photo of the check shows a board of {target.name} ({', '.join(mat.board_names)}) that can be read",
                hint="look down on the mat from nearer, or take larger boards; in a bay file: [[photo]] of epoch check",
            )
        marked = marked_sheet(target.sheet, mat)
        poses = with_mat_marks(poses, mat, setting.boards, bodies, {}).poses
    poses = with_board_marks(poses, marked, setting.boards)
    return poses, Placed(marked, mat_placement(poses, marked, job.reference_known))


def _views(
    setting: Setting, job: Job, standing: Mapping[str, Pose]
) -> tuple[dict[str, list[View]], dict[str, Pose], list[tuple[str, PhotoPlace, tuple[str, ...]]]]:
    """Views by epoch, `bay_from_cam` by photo, and the list of photos with what each shows."""
    views: dict[str, list[View]] = {}
    cameras: dict[str, Pose] = {}
    listed = []
    known = {body.split("@")[0] for body in standing}
    for epoch in (*setting.bay.roll_epochs, REST, CHECK_EPOCH):
        here = {body.split("@")[0]: pose for body, pose in standing.items() if body.partition("@")[2] in ("", epoch)}
        solids: list[Solid | Face] = [Solid(block.low, block.high) for block in in_the_way(setting.bay, epoch)]
        if epoch == CHECK_EPOCH:
            standing_there = plates(setting.bay, setting.boards, setting.targets)
            solids += [Face(plate.bay_from_plate, plate.low, plate.high) for plate in standing_there]
        views[epoch] = []
        for i, place in enumerate(photos_in(setting.bay, epoch)):
            name = f"{epoch}/{i + 1:02d}"
            cameras[name] = camera_place(setting.bay, place, epoch)
            seen = imagine(name, cameras[name], setting.lens.camera, setting.boards, here, solids, setting.light)
            view = view_of(seen, setting.lens.name, epoch, job, known)
            listed.append((epoch, place, tuple(s.board for s in view.seen)))
            if view.seen:
                views[epoch].append(view)
        if not views[epoch] and photos_in(setting.bay, epoch):
            raise MeasurementError(
                f"no photo of epoch {epoch} shows a board that can be read",
                hint="go nearer, take a better camera or larger boards; mind the smallest square of 16 px",
            )
    return views, cameras, listed


def _datum(views: Sequence[View], setting: Setting) -> str:
    """The floor board that most photos show."""
    seen = [s.body for view in views for s in view.seen]
    return max((place.board for place in setting.bay.floor), key=seen.count)


def _adjusted(
    setting: Setting,
    views: Sequence[View],
    cameras: Mapping[str, Pose],
    standing: Mapping[str, Pose],
    datum: str,
    job: Job,
    before: Network | None,
) -> Network:
    lenses = {setting.lens.name: setting.lens}
    bodies = {s.body for view in views for s in view.seen}
    start = known_start(
        {view.photo: cameras[view.photo] for view in views},
        {body: pose for body, pose in standing.items() if body in bodies or body == datum},
        datum,
    )
    if before is not None:
        return adjust_network(views, setting.boards, lenses, prior=before.state, robust=False, start=start)
    tapes = [tape for tape in tape_distances(job) if tape.a in bodies and tape.b in bodies]
    return adjust_network(views, setting.boards, lenses, distances=tapes, datum=datum, robust=False, start=start)
