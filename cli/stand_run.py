"""The stations of teaching a stand: photos of it on top of survey and touched marks, then the face through the marks."""

from __future__ import annotations

import datetime
import functools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calib.bodies import board_of, body_of, held_body, view_of
from calib.geometry.stand_teaching import TaughtPlaces, teach_places, upright_words
from calib.geometry.stylus import TouchedBy, with_touched
from calib.paper.epochs import touch_folder, touch_photos
from calib.paper.stand import Stand, StandBoard, Taught
from calib.paper.stylus import Stylus, check_stylus, read_stylus
from calib.paper.target_face import TargetFace, TargetMark, check_face, read_face
from cli.check_photos import check_photos
from cli.check_run import on_survey
from cli.doubting import odd_photos
from cli.kept_survey import Survey
from cli.right_target import strangers
from cli.stations import Desk, Tick, look_at, views_of
from cli.touching import need_stylus_board, tip_of
from vision.errors import MeasurementError
from vision.network import Network
from vision.observations import BodySighting, View

STAND = "stand-"


@dataclass(frozen=True, slots=True, eq=False)
class StandRun:
    """A taught stand and how it went."""

    stand: Stand
    places: TaughtPlaces
    photos: tuple[str, ...]
    remarks: tuple[str, ...]


def run_stand(desk: Desk, survey: Survey, face_file: Path, named: Sequence[str], given: Sequence[Path], tick: Tick) -> StandRun:
    """Where boards sit on the target, from photos of it and of the stylus on its marks, all while the target stood there.

    Raises
    ------
    MeasurementError
        No such board, none seen, no photo of a mark, what is known of the face contradicts itself.
    """
    face = read_face(face_file)
    elsewhere = {*desk.job.floor, *desk.job.car_boards()}
    check_face(face_file, face, desk.boards, elsewhere, named)
    wanted = _boards(desk, named, (*elsewhere, *face.board_names))
    on_target = [*wanted, *face.board_names]
    looking = replace(desk, stand=Stand(tuple(StandBoard(name, 0.0, 0.0, 0.0) for name in on_target)))
    stylus = _stylus(looking) if face.marks else None
    epoch, paths, names = check_photos(looking, given)
    seen, remarks = look_at(looking, paths, names, tick)
    seen, odd = odd_photos(looking, seen, dict.fromkeys(names, epoch))
    views = views_of(looking, seen, dict.fromkeys(names, epoch))
    touches, told = _touches(looking, face.marks, stylus.board, epoch, tick) if stylus else ({}, [])
    instead = functools.partial(strangers, looking, lambda opened: look_at(opened, paths, names, tick)[0])
    in_photos = {s.board for view in (*views, *(view for some in touches.values() for view in some)) for s in view.seen}
    _need_seen(in_photos, wanted, face, face_file, epoch, lambda: instead()[1])
    tick("network", "what moved since the survey")
    network, moved = on_survey(looking, survey, [*views, *(view for some in touches.values() for view in some)])
    poses = with_touched(network.poses, _points(network, stylus, touches)) if stylus else network.poses
    bodies = {name: body for name in on_target if (body := body_of(name, epoch, desk.job.floor)) in poses}
    _need_seen(bodies, wanted, face, face_file, epoch, lambda: "")  # seen, but left out by the adjustment
    places = teach_places(poses, face, bodies, desk.boards)
    marks = tuple(mark.name for mark in face.marks)
    taught = Taught(datetime.date.today(), marks, places.rms_mm, places.cov, face.board_names)
    told += [f"{m.body} moved by {m.shift_mm:.1f} mm since the survey: left out" for m in moved]
    told += [f"{r.photo}: {board_of(r.body)} left out: {r.reason}" for r in network.rejected]
    told += [f"{name} was not seen: it is not in the file" for name in wanted if named and name not in bodies]
    told += unchecked_words(face)
    told += upright_words(places.face, [poses[name] for name in desk.job.floor if name in poses])
    if places.scatter > 1.0:
        told.append(f"the marks scatter more than their ± explains: U is multiplied by {places.scatter**0.5:.1f}")
    photos = tuple(view.photo for view in (*views, *(view for some in touches.values() for view in some)))
    return StandRun(Stand(places.boards, None, taught), places, photos, (*remarks, *odd, *told))


def unchecked_words(face: TargetFace) -> list[str]:
    """Where nothing is over-determined, a wrong place of the pattern goes into every board unseen."""
    if face.marks or len(face.boards) > 1:
        return []
    name = face.boards[0].board
    return [f"nothing checks where the marks file puts {name} on the face: touch three marks as well, or believe its drawing"]


def _stylus(desk: Desk) -> Stylus:
    file = desk.job.need_stylus()
    stylus = read_stylus(file)
    check_stylus(stylus, desk.boards, file)
    need_stylus_board(desk, stylus.board)
    return stylus


def _points(network: Network, stylus: Stylus, touches: Mapping[str, Sequence[View]]) -> list[TouchedBy]:
    used, tip = set(network.bodies_seen), tip_of(stylus)
    points = []
    for name, some in touches.items():
        held = [held_body(stylus.board, view.photo) for view in some]
        points.append(TouchedBy(name, tuple(body for body in held if body in used), tip))
    return points


def _need_seen(
    seen: Collection[str],
    wanted: Sequence[str],
    face: TargetFace,
    face_file: Path,
    epoch: str,
    instead: Callable[[], str],
) -> None:
    hint = "photograph the target from 2 to 3 m, 30° to 45° beside its normal, floor boards in every picture"
    if not set(wanted) & set(seen):
        raise MeasurementError(
            f"no board of the target was seen in {epoch}: looked for {', '.join(wanted)}{instead()}", hint=hint
        )
    unseen = [name for name in face.board_names if name not in seen]
    if unseen:
        where = f"{face_file}: board.{face.board_names.index(unseen[0])}.name"
        raise MeasurementError(
            f"{where}: {unseen[0]} has a known place on the target's face and was not seen in {epoch}{instead()}",
            hint=f"{hint}; or strike it in {face_file.name} and touch three marks",
        )


def _touches(
    desk: Desk, marks: Sequence[TargetMark], stylus: str, epoch: str, tick: Tick
) -> tuple[dict[str, list[View]], list[str]]:
    """Photos of the stylus on every mark: its board, the target's boards and floor boards; those without the stylus are named.

    The target's boards are the bodies of the check: they tie the tip to the target more closely than the floor does.
    """
    looking = replace(desk, held=(stylus,))
    out: dict[str, list[View]] = {}
    told: list[str] = []
    for mark in marks:
        folder = touch_folder(mark.name)
        paths = list(touch_photos(desk.job, mark.name))
        names = [f"{folder}/{path.name}" for path in paths]
        seen, remarks = look_at(looking, paths, names, tick)
        told += remarks
        out[mark.name] = []
        for photo in seen:
            known = {*desk.job.floor, *(desk.stand.names if desk.stand else ())}
            view = view_of(photo.sightings, photo.lens, epoch, desk.job, known)
            held = [BodySighting(held_body(stylus, photo.name), s) for s in photo.sightings.found if s.board == stylus]
            if held and view.seen:
                out[mark.name].append(replace(view, seen=(*view.seen, *held)))
            else:
                told.append(
                    f"{photo.name}: left out, it does not show {stylus} together with a board of the target or the floor"
                )
    return out, told


def _boards(desk: Desk, named: Sequence[str], taken: Collection[str]) -> list[str]:
    """Boards whose places are to be taught."""
    wanted = list(named) or [b.name for b in desk.boards if b.name.startswith(STAND) and b.is_charuco and b.name not in taken]
    for name in wanted:
        if name not in desk.boards:
            raise MeasurementError(
                f"there is no board {name!r} in {desk.job.boards}",
                hint=f"known boards: {', '.join(board.name for board in desk.boards if board.is_charuco)}",
            )
        if name in taken:
            raise MeasurementError(f"board {name} is on the floor or the car in this job", hint="name the target's boards")
    if not wanted:
        raise MeasurementError(
            f"no board is left to be taught: {desk.job.boards} has none called {STAND}… but those with a known place",
            hint="name the boards to teach with --board",
        )
    return wanted
