"""A job's photos on their way through the house: read the files, look, adjust. No mathematics here.

`results/sightings/` keeps what was seen in each photo, by content; the finished survey is kept by `cli.kept_survey`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from calib.bodies import (
    board_of,
    epoch_of_body,
    known_boards,
    not_tied_in_words,
    suspicions,
    tape_distances,
    view_of,
)
from calib.doubts import scale_advice, survey_guesses
from calib.geometry.stylus import with_touched
from calib.paper.epochs import epoch_of, photos
from calib.paper.job import Job, check_job, read_job
from calib.paper.stand import Stand, read_stand
from calib.pipeline import Car, car_of
from cli.doubting import Inquiry, Settled, odd_photos, settled
from cli.kept_survey import Kept, Survey, kept_poses
from cli.self_calibrating import left_to_the_photos
from vision.boards import BoardSet
from vision.boards_io import read_boards
from vision.camera import LensProfile
from vision.camera_io import read_profile
from vision.errors import FileError, MeasurementError, WrongLensError
from vision.gather import Expected, PhotoTask, SeenPhoto, gather, look_again, with_earlier_finds
from vision.network import Network, adjust_network, start_of, weak_spots
from vision.network_start import NotTiedError, Start
from vision.observations import View
from vision.poses import PoseSet
from vision.restart import continued
from vision.visible import expected_boards

CONTRADICTS = 3.0
"""Misfit over uncertainty of a sighting left out, from which it contradicts the others; one of a few poor corners has less."""
Tick = Callable[[str, str], None]


def silent(_stage: str, _what: str) -> None:
    """No progress."""


@dataclass(frozen=True, slots=True)
class Overrides:
    """Files given on the command line instead of the job's."""

    boards: Path | None = None
    lens: tuple[Path, ...] = ()
    sheet: Path | None = None
    stand: Path | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Desk:
    """A job with everything read that its photos need.

    `held` boards are carried by hand and looked for besides the job's; `beside` are those of other targets of the same check.
    """

    job: Job
    boards: BoardSet
    stand: Stand | None
    profiles: Mapping[Path, LensProfile]
    held: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()

    @property
    def lenses(self) -> dict[str, LensProfile]:
        return {profile.name: profile for profile in self.profiles.values()}

    @property
    def in_use(self) -> BoardSet:
        """Boards of this job: no other is looked for."""
        wanted = known_boards(self.job, self.stand) | set(self.held) | set(self.beside)
        return BoardSet(tuple(board for board in self.boards if board.name in wanted))


@dataclass(frozen=True, slots=True, eq=False)
class Sighted:
    """Photos of some epochs, looked at and adjusted; `looks` are second looks to keep with the survey."""

    seen: tuple[SeenPhoto, ...]
    epoch: Mapping[str, str]
    network: Network
    remarks: tuple[str, ...] = field(default=())
    looks: Mapping[Path, str] = field(default_factory=dict)


def open_desk(folder: Path, overrides: Overrides, *, with_stand: bool = True) -> Desk:
    """Read the job and every file it names; its stand file if it is there, and not one that is about to be taught.

    Raises
    ------
    FileError, BoardError
    """
    job = read_job(folder, boards=overrides.boards, lens=overrides.lens, sheet=overrides.sheet, stand=overrides.stand)
    boards = read_boards(job.boards)
    stand = read_stand(job.stand) if with_stand and job.stand and job.stand.is_file() else None
    check_job(job, boards, stand)
    paths = dict.fromkeys([*job.lens, *(path for _, path in job.lens_for)])
    profiles = {path: read_profile(path) for path in paths}
    names = [profile.name for profile in profiles.values()]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise FileError(
            f"{job.folder}: two lens profiles are called {', '.join(sorted(twice))}", hint="rename one of the files"
        )
    return Desk(job, boards, stand, profiles)


def look_at(desk: Desk, paths: Sequence[Path], names: Sequence[str], tick: Tick) -> tuple[list[SeenPhoto], list[str]]:
    """Sightings of photos, each photo once: a second copy of the same picture is left out and said."""
    job = desk.job
    tasks = []
    for path, name in zip(paths, names, strict=True):
        forced = job.forced_lens(path) if path.is_relative_to(job.photos_folder) else None
        chosen = (desk.profiles[forced],) if forced else tuple(desk.profiles[lens] for lens in job.lens)
        tasks.append(PhotoTask(name, path, chosen))
    seen = gather(tasks, desk.in_use, _kept_in(job), lambda name: tick("photos", name))
    first: dict[str, str] = {}
    remarks, out = [], []
    for photo in seen:
        earlier = first.setdefault(photo.sha256, photo.name)
        if earlier == photo.name:
            out.append(photo)
        else:
            remarks.append(f"{photo.name} is the same picture as {earlier}: left out")
    return out, remarks


def looked_again(
    desk: Desk, again: Sequence[Expected], seen: Sequence[SeenPhoto], tick: Tick, cache: Path | None = None
) -> tuple[list[SeenPhoto], Mapping[Path, str]]:
    """All photos after a second look at some, one in which nothing more was found as it was; and what `cache` lacks of it."""
    after, looks = look_again(again, desk.in_use, cache, lambda name: tick("second look", name))
    new = {photo.name: photo for photo in after}
    return [new.get(photo.name, photo) for photo in seen], looks


def _kept_in(job: Job) -> Path:
    return job.results_folder / "sightings"


def views_of(desk: Desk, seen: Sequence[SeenPhoto], epoch: Mapping[str, str]) -> list[View]:
    known = known_boards(desk.job, desk.stand) | set(desk.beside)
    return [view_of(photo.sightings, photo.lens, epoch[photo.name], desk.job, known) for photo in seen]


def survey(desk: Desk, tick: Tick = silent) -> Sighted:
    """Look at the photos of all roll epochs and `rest`, adjust them, look again where others predict boards, adjust again.

    Raises
    ------
    MeasurementError
        A photo that cannot be used, no epoch to survey, parts of the bay not tied.
    """
    job = desk.job
    by_epoch = {epoch: files for epoch, files in photos(job).items() if not epoch.startswith("check-")}
    if not by_epoch:
        raise MeasurementError(
            f"{job.photos_folder}: only checks, nothing to survey", hint="photograph the epochs roll-1 … roll-n and rest first"
        )
    paths = [path for files in by_epoch.values() for path in files]
    names = [path.relative_to(job.photos_folder).as_posix() for path in paths]
    epoch = {name: epoch_of(job, path) for name, path in zip(names, paths, strict=True)}
    seen, remarks = look_at(desk, paths, names, tick)
    seen, odd = odd_photos(desk, seen, epoch)
    kept = kept_poses(desk, seen, epoch)
    if kept:
        seen = with_earlier_finds(seen, desk.in_use, _kept_in(job))
    tick("network", "first adjustment")
    done = settled_from(desk, views_of(desk, seen, epoch), kept)
    again = _second_look(desk, seen, epoch, done.network)
    more, looks = looked_again(desk, again, seen, tick, _kept_in(job))
    if more != seen:
        seen = more
        tick("network", "second adjustment")
        views = views_of(desk, seen, epoch)
        done = settled_survey(desk, views, _standing(done.network, views))
    network = done.network
    remarks = [*remarks, *odd, *done.remarks, *suspicions(network.rejected, network.rms_px, epoch)]
    remarks += scale_advice(job, desk.boards, network.bodies_seen)
    return Sighted(tuple(seen), epoch, network, (*remarks, *weak_spots(network)), looks)


def settled_from(desk: Desk, views: Sequence[View], kept: Kept | None) -> Settled:
    """The survey's network, from the kept survey's poses where these still hold: nothing that counted then is elsewhere now."""
    cameras = {name: lens.camera for name, lens in desk.lenses.items()}
    start = continued(kept.start, views, desk.boards, cameras, kept.left_out) if kept else None
    if kept and start:
        try:
            done = settled_survey(desk, views, start)
        except MeasurementError:
            return settled_survey(desk, views)
        gone = {(r.photo, board_of(r.body)) for r in done.network.rejected if r.misfit > CONTRADICTS}
        if kept.left_out.issuperset(pair for pair in gone if pair[0] in kept.start.photos):
            return done
    return settled_survey(desk, views)


def settled_survey(desk: Desk, views: Sequence[View], first: Start | None = None) -> Settled:
    """The survey's network with what contradicts it cured or told; `first`: where to start, if it is known.

    A lens profile that the photos contradict is left to them, if they can calibrate the camera.

    Raises
    ------
    MeasurementError
    """
    try:
        return _settled_survey(desk, views, first)
    except WrongLensError as err:
        return left_to_the_photos(desk, err, lambda opened: _settled_survey(opened, views, first))


def _settled_survey(desk: Desk, views: Sequence[View], first: Start | None) -> Settled:
    def adjust(some: Sequence[View], boards: BoardSet, start: Start | None, robust: bool, row_drift_px: float) -> Network:
        start = first if some is views and start is None else start
        return adjusted(replace(desk, boards=boards), some, start=start, robust=robust, row_drift_px=row_drift_px)

    return settled(views, desk.boards, Inquiry(desk.job, desk.lenses, adjust, lambda some: survey_guesses(some, desk.job)))


def _standing(network: Network, views: Sequence[View]) -> Start | None:
    """Where an adjusted network stands, if it knows all photos and bodies of these views."""
    start = start_of(network)
    known = all(seen.body in start.bodies for view in views for seen in view.seen)
    return start if known and all(view.photo in start.photos for view in views if view.seen) else None


def adjusted(
    desk: Desk, views: Sequence[View], start: Start | None = None, *, robust: bool = True, row_drift_px: float = 0.0
) -> Network:
    """The survey's network: all views and tape distances at once.

    Raises
    ------
    MeasurementError
    """
    seen = {sighting.body for view in views for sighting in view.seen}
    tapes = [tape for tape in tape_distances(desk.job) if tape.a in seen and tape.b in seen]
    try:
        return adjust_network(
            views, desk.boards, desk.lenses, distances=tapes, start=start, robust=robust, row_drift_px=row_drift_px
        )
    except NotTiedError as err:
        raise not_tied_in_words(err.groups, desk.job, views) from err


def _second_look(desk: Desk, seen: Sequence[SeenPhoto], epoch: Mapping[str, str], network: Network) -> list[Expected]:
    bodies = network.poses.bodies
    out = []
    for name in set(epoch.values()):
        there = {body: board_of(body) for body in bodies if epoch_of_body(body) in ("", name)}
        out += unfound(desk, [photo for photo in seen if epoch[photo.name] == name], network, there)
    return out


def unfound(desk: Desk, seen: Sequence[SeenPhoto], network: Network, there: Mapping[str, str]) -> list[Expected]:
    """Photos in which boards are expected that were not found, with the camera and the poses to look at.

    `there` gives the board name of every body that existed when the photos were taken.
    """
    poses = network.poses
    out: list[Expected] = []
    for photo in seen:
        if photo.name not in network.cam_from_survey:
            continue
        lens = desk.lenses[photo.lens]
        camera = network.state.camera(lens.name, lens.camera)
        found = [sighting.board for sighting in photo.sightings.found]
        expected = expected_boards(network.cam_from_survey[photo.name], camera, poses, there, desk.boards, found)
        if expected:
            out.append((photo, camera, expected))
    return out


def car_from(desk: Desk, survey: Survey, poses: PoseSet) -> Car:
    """Floor, wheels and alignment figures; says so when a missing board was seen but left out of the survey."""
    poses = with_touched(poses, survey.points)
    try:
        return car_of(poses, desk.job, desk.boards, survey.epochs)
    except MeasurementError as err:
        lost = [row["board"] for row in survey.document["rejected"] if row["board"] in err.what]
        if not lost:
            raise
        counts = ", ".join(f"{lost.count(board)} of {board}" for board in dict.fromkeys(lost))
        raise MeasurementError(
            f"{err.what}; sightings left out of the survey because they do not fit the others: {counts}",
            hint="measure the check bars of these boards, see that they are flat and did not shift, and survey again",
        ) from err
