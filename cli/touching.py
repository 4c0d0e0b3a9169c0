"""The stations of a stylus: its photos on top of the kept survey, the taught tip, touched points kept for later use.

`results/points.json` keeps of every point what was seen in its photos. Who uses a point adjusts these photos anew on the
survey, so that the point brings its joint covariance with floor, car and lens along.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from calib.bodies import board_of, held_body, touch_view
from calib.geometry.stylus import PivotFit, Tip, Touch, TouchedBy, fit_pivot, fit_touch, with_touched
from calib.paper.epochs import pictures, touch_folder, touch_photos
from calib.paper.stylus import Stylus, check_stylus, read_stylus, scale_of
from calib.paper.stylus import from_document as stylus_of
from calib.paper.stylus import to_document as stylus_document
from calib.pipeline import CarStayed, car_stayed, floor_of
from cli.car_stayed import refuse_moved_car
from cli.check_run import on_survey
from cli.doubting import odd_photos
from cli.kept_survey import Survey
from cli.points_kept import POINTS_FILE, needed_points, read_points
from cli.stations import Desk, Tick, car_from, look_at, looked_again, unfound
from vision.errors import FileError, MeasurementError
from vision.gather import SeenPhoto
from vision.moved import Moved
from vision.network import Network, adjust_network
from vision.observations import View
from vision.photos import list_photos
from vision.poses import PoseSet
from vision.sightings_io import from_document, to_document

TEACH = "teach"


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """Photos of a stylus board, adjusted on the survey: what was seen, what moved since, and what is to be said."""

    seen: tuple[SeenPhoto, ...]
    views: tuple[View, ...]
    network: Network
    moved: tuple[Moved, ...]
    remarks: tuple[str, ...]

    def bodies(self, board: str) -> list[str]:
        """Bodies of the stylus board, one a photo in which it was used."""
        used = set(self.network.bodies_seen)
        return [body for body in (held_body(board, view.photo) for view in self.views) if body in used]


@dataclass(frozen=True, slots=True, eq=False)
class TeachRun:
    """A taught stylus and how it went."""

    stylus: Stylus
    fit: PivotFit
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class TouchRun:
    """A touched point: photos, fit, what was seen of the car; `survey` is the one it can be used with at once."""

    name: str
    stylus: Stylus
    held: Held
    touch: Touch
    stayed: tuple[CarStayed, ...]
    survey: Survey
    remarks: tuple[str, ...]


def run_teach(desk: Desk, survey: Survey, board: str, given: Sequence[Path], tick: Tick) -> TeachRun:
    """Where the tip is in the frame of the stylus board, from photos in which the stylus was turned about it.

    Raises
    ------
    MeasurementError
        No such board, too few photos with floor boards, turned about one axis only, the tip slid.
    """
    need_stylus_board(desk, board)
    home = desk.job.folder / TEACH
    paths = photos_there(given) if given else list(pictures(home))
    if not paths:
        raise FileError(
            f"{home}: no photo of the stylus", hint="put a dozen photos there, its tip in one dimple, or name them: see --help"
        )
    names = _named(TEACH, paths, home)
    held = _adjusted(desk, survey, board, TEACH, paths, names, tick, with_car=False)
    fit = fit_pivot(held.network.poses, held.bodies(board))
    stylus = Stylus(
        board,
        fit.tip.value,
        fit.tip.cov,
        scale_of(desk.boards[board]),
        fit.rms_mm,
        tuple(photo_of(body) for body in fit.kept),
        tuple(photo_of(body) for body in fit.left_out),
        datetime.date.today(),
    )
    told = [f"{photo_of(body)}: left out, the tip lies elsewhere than in all other photos" for body in fit.left_out]
    if fit.scatter > 1.0:
        told.append(f"the tip wandered more than the photos explain: its U is multiplied by {fit.scatter**0.5:.1f}")
    return TeachRun(stylus, fit, (*held.remarks, *told))


def run_touch(desk: Desk, survey: Survey, name: str, stylus_file: Path, given: Sequence[Path], tick: Tick) -> TouchRun:
    """A named point from photos of the stylus with its tip on it.

    Raises
    ------
    MeasurementError
        No photo, stylus or floor boards not seen, photos that contradict each other, the car moved.
    """
    folder = touch_folder(name)
    stylus = read_stylus(stylus_file)
    check_stylus(stylus, desk.boards, stylus_file)
    need_stylus_board(desk, stylus.board)
    paths = photos_there(given) if given else list(touch_photos(desk.job, name))
    names = _named(folder, paths, desk.job.photos_folder / folder)
    held = _adjusted(desk, survey, stylus.board, folder, paths, names, tick, with_car=True)
    stayed = car_stayed(held.network.poses, desk.job, desk.boards, folder)
    refuse_moved_car(stayed, desk, with_body=True)
    tip = tip_of(stylus)
    touch = fit_touch(held.network.poses, held.bodies(stylus.board), tip, name)
    remarks = [*held.remarks]
    remarks += [f"{photo_of(body)}: left out, the tip lies elsewhere than in the other photos" for body in touch.left_out]
    if touch.scatter > 1.0:
        remarks.append(f"the tip wandered more than its U explains: the point's U is multiplied by {touch.scatter**0.5:.1f}")
    if not stayed:
        remarks.append("no board on the car is seen: a point on the car counts only if the car stayed where it was in rest")
    point = TouchedBy(name, tuple(touch.weights), tip)
    with_it = replace(survey, state=held.network.state, points=(*survey.points, point))
    return TouchRun(name, stylus, held, touch, stayed, with_it, tuple(remarks))


def need_stylus_board(desk: Desk, board: str) -> None:
    """Refuse a board that is not there, or that belongs somewhere else in this job.

    Raises
    ------
    MeasurementError
    """
    if board not in desk.boards or not desk.boards[board].is_charuco:
        known = ", ".join(one.name for one in desk.boards if one.is_charuco)
        raise MeasurementError(f"there is no board {board!r} in {desk.job.boards}", hint=f"known boards: {known}")
    if board in {one.name for one in desk.in_use}:
        raise MeasurementError(
            f"board {board} stands in this job (floor, wheel or target): it cannot be on the stylus as well",
            hint="print a board of its own for the stylus: bayfix boards print stylus-1",
        )


def tip_of(stylus: Stylus) -> Tip:
    key = json.dumps([stylus.board, stylus.tip_mm.tolist(), stylus.cov_mm2.tolist()])
    return Tip(key, stylus.tip_mm, stylus.cov_mm2)


def with_points(desk: Desk, survey: Survey, names: Sequence[str]) -> Survey:
    """The survey with kept points in it: their photos adjusted on top of it once more, all together.

    Raises
    ------
    FileError
        A point that was not touched, or was touched on another survey or with a stylus board printed otherwise.
    """
    if not names:
        return survey
    network, points = points_on(desk, survey, names)
    return replace(survey, state=network.state, points=(*survey.points, *points))


def points_on(desk: Desk, survey: Survey, names: Sequence[str]) -> tuple[Network, list[TouchedBy]]:
    """The network of kept points' photos on top of the survey, and the points.

    Raises
    ------
    FileError
        As `with_points`.
    """
    rows = {row["name"]: row for row in read_points(desk.job)}
    kept = [_kept(desk, survey, rows, name) for name in dict.fromkeys(names)]
    views = [view for _, _, some in kept for view in some]
    network = adjust_network(views, desk.boards, desk.lenses, prior=survey.state)
    used = set(network.bodies_seen)
    points = []
    for (name, tip, some), row in zip(kept, (rows[name] for name, _, _ in kept), strict=True):
        out = {lost["photo"] for lost in row["left_out"]}
        bodies = [held_body(row["stylus"]["board"], view.photo) for view in some if view.photo not in out]
        points.append(TouchedBy(name, tuple(body for body in bodies if body in used), tip))
    return network, points


def points_only(survey: Survey) -> PoseSet:
    """The poses of the survey's boards with its touched points."""
    return with_touched(survey.state.pose_set(), survey.points)


def car_or_floor(desk: Desk, survey: Survey) -> tuple[PoseSet, str]:
    """Poses with the floor, the touched points and, where they can be had, the spin axes; else why not."""
    poses = survey.state.pose_set()
    here = {point.name for point in survey.points}
    kept = {row["name"] for row in read_points(desk.job)}
    try:
        others = [name for name in needed_points(desk.job) if name not in here]
        if others and set(others) <= kept:
            survey = with_points(desk, survey, others)
            poses = survey.state.pose_set()
        return car_from(desk, survey, poses).poses, ""
    except MeasurementError as err:
        return floor_of(with_touched(poses, survey.points), desk.job, desk.boards, survey.epochs)[0], err.what


def kept_part(run: TouchRun) -> dict[str, Any]:
    """What has to be kept of a touched point so that it can be used again (`with_points`)."""
    moved = {board_of(m.body) for m in run.held.moved}
    lens = {photo.name: photo.lens for photo in run.held.seen}
    sha = {photo.name: photo.sha256 for photo in run.held.seen}
    used = [view.photo for view in run.held.views]
    return {
        "survey": {"id": run.survey.id, "date": run.survey.date},
        "photos": [{"name": name, "lens": lens[name], "sha256": sha[name]} for name in used],
        "left_out": [{"photo": photo_of(body), "reason": "the tip lies elsewhere"} for body in run.touch.left_out],
        "moved_since_survey": sorted(moved),
        "stylus": stylus_document(run.stylus),
        "sightings": [to_document(photo.sightings) for photo in run.held.seen if photo.name in used],
    }


def _kept(desk: Desk, survey: Survey, rows: Mapping[str, dict[str, Any]], name: str) -> tuple[str, Tip, list[View]]:
    again = f"bayfix touch {desk.job.folder} {name}"
    if name not in rows:
        known = ", ".join(rows) or "none yet"
        raise FileError(f"point {name} was not touched in this job (touched: {known})", hint=f"photograph it and run: {again}")
    row = rows[name]
    if row["survey"]["id"] != survey.id:
        raise FileError(
            f"point {name} was touched on survey {row['survey']['id']}, the present one is {survey.id}",
            hint=f"see that the car still stands as it did, and run: {again}",
        )
    stylus = stylus_of(row["stylus"])
    check_stylus(stylus, desk.boards, desk.job.results_folder / POINTS_FILE)
    lenses = {photo["name"]: photo["lens"] for photo in row["photos"]}
    lost = sorted(set(lenses.values()) - set(desk.lenses))
    if lost:
        raise FileError(
            f"point {name} was touched with lens profile {lost[0]}, which this job no longer has", hint=f"run: {again}"
        )
    folder, moved = touch_folder(name), row["moved_since_survey"]
    seen = [from_document(document) for document in row["sightings"]]
    views = [touch_view(one, lenses[one.photo], folder, desk.job, stylus.board, moved) for one in seen]
    return name, tip_of(stylus), views


def photos_there(given: Sequence[Path]) -> list[Path]:
    """Photos given one by one or by their folder, each once."""
    files = [photo for path in given for photo in (list_photos(path) if path.is_dir() else [path])]
    missing = [path for path in files if not path.is_file()]
    if missing:
        raise FileError(f"{missing[0]}: no such photo", hint="check the name")
    return list({path.resolve(): path for path in files}.values())


def _named(folder: str, paths: Sequence[Path], home: Path) -> list[str]:
    """Names of photos in messages and results: below `folder`, wherever they lie."""
    root = home.resolve()
    inside = [path.resolve() for path in paths]
    names = [f"{folder}/{p.relative_to(root).as_posix() if p.is_relative_to(root) else p.name}" for p in inside]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise FileError(f"two photos are called {twice[0]}", hint="rename one of them")
    return names


def _adjusted(
    desk: Desk,
    survey: Survey,
    board: str,
    epoch: str,
    paths: Sequence[Path],
    names: Sequence[str],
    tick: Tick,
    *,
    with_car: bool,
) -> Held:
    looking = replace(desk, held=(board,))
    seen, remarks = look_at(looking, paths, names, tick)
    seen, odd = odd_photos(looking, seen, dict.fromkeys(names, epoch))
    views, told = _usable(desk, seen, epoch, board, with_car)
    tick("network", "what moved since the survey")
    network, moved = on_survey(desk, survey, views)
    gone = {m.body for m in moved}
    there = {name: name for name in desk.job.floor if name in network.poses and name not in gone}
    more, _ = looked_again(looking, unfound(looking, seen, network, there), seen, tick)
    if more != seen:
        seen = more
        views, told = _usable(desk, seen, epoch, board, with_car)
        network, moved = on_survey(desk, survey, views)
    if moved:
        # Their sightings are not kept: a later check must not take them for the survey's.
        views, told = _usable(desk, seen, epoch, board, with_car, {m.body for m in moved})
        network = adjust_network(views, desk.boards, desk.lenses, prior=survey.state)
    words = [f"{board_of(m.body)} moved by {m.shift_mm:.1f} mm since the survey: left out" for m in moved]
    words += [f"{r.photo}: {board_of(r.body)} left out: {r.reason}" for r in network.rejected]
    return Held(tuple(seen), tuple(views), network, moved, (*remarks, *odd, *told, *words))


def _usable(
    desk: Desk, seen: Sequence[SeenPhoto], epoch: str, board: str, with_car: bool, moved: set[str] | None = None
) -> tuple[list[View], list[str]]:
    """Views that show the stylus board beside floor boards; the others are named.

    Raises
    ------
    MeasurementError
        None does.
    """
    without = {*(moved or ()), *(() if with_car else desk.job.car_boards())}
    views, told = [], []
    for photo in seen:
        view = touch_view(photo.sightings, photo.lens, epoch, desk.job, board, without)
        shown = {sighting.body for sighting in view.seen}
        if held_body(board, view.photo) not in shown:
            told.append(f"{view.photo}: left out, the stylus board {board} was not found in it")
        elif not shown & set(desk.job.floor):
            told.append(f"{view.photo}: left out, it shows no floor board of this job beside {board}")
        else:
            views.append(view)
    if not views:
        raise MeasurementError(
            f"no photo shows the stylus board {board} together with a floor board of the surveyed bay: {'; '.join(told)}",
            hint=f"step back until {board} and two floor boards or more ({', '.join(desk.job.floor[:4])}, …) are in the photo",
        )
    return views, told


def photo_of(body: str) -> str:
    """Photo of a board held by hand, which is a body of its photo."""
    return body.partition("@")[2]
