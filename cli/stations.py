"""A job's photos on their way through the house: read the files, look, adjust, keep the survey. No mathematics here.

`results/survey.json` tells people and programs what the survey was made of and names the file of the joint estimate beside it
(`survey-….npz`) that later checks build on; `results/sightings/` keeps what was seen in each photo, by content.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from calib.bodies import REST, board_of, epoch_of_body, known_boards, not_tied_in_words, suspicions, tape_distances, view_of
from calib.doubts import scale_advice, survey_guesses
from calib.geometry.stylus import TouchedBy, with_touched
from calib.paper.epochs import epoch_of, epoch_order, photos
from calib.paper.job import Job, check_job, read_job, write_result
from calib.paper.stand import Stand, read_stand
from calib.pipeline import Car, car_of
from cli.doubting import Inquiry, Settled, odd_photos, settled
from cli.self_calibrating import left_to_the_photos, lens_rows
from vision.boards import BoardSet
from vision.boards_io import read_boards
from vision.camera import LensProfile
from vision.camera_io import read_profile
from vision.errors import FileError, MeasurementError, WrongLensError
from vision.gather import Expected, PhotoTask, SeenPhoto, gather, look_again
from vision.kept import keep
from vision.network import Network, NetworkState, adjust_network, start_of, weak_spots
from vision.network_io import read_state, state_bytes
from vision.network_start import NotTiedError, Start
from vision.observations import View
from vision.poses import PoseSet
from vision.sightings_io import to_document
from vision.visible import expected_boards

SURVEY_SCHEMA = "survey/1"
SURVEY_FILE = "survey.json"
STATE_FILES = "survey-*.npz"
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
    """A job with everything read that its photos need; `held` boards are carried by hand and looked for besides the job's."""

    job: Job
    boards: BoardSet
    stand: Stand | None
    profiles: Mapping[Path, LensProfile]
    held: tuple[str, ...] = ()

    @property
    def lenses(self) -> dict[str, LensProfile]:
        return {profile.name: profile for profile in self.profiles.values()}

    @property
    def in_use(self) -> BoardSet:
        """Boards of this job: no other is looked for."""
        wanted = known_boards(self.job, self.stand) | set(self.held)
        return BoardSet(tuple(board for board in self.boards if board.name in wanted))


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A finished survey: its identity, the network's state, which photos and epochs it holds, and points touched since."""

    id: str
    date: str
    state: NetworkState
    epochs: tuple[str, ...]
    document: Mapping[str, Any]
    points: tuple[TouchedBy, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Sighted:
    """Photos of some epochs, looked at and adjusted; `looks` are second looks to keep with the survey."""

    seen: tuple[SeenPhoto, ...]
    epoch: Mapping[str, str]
    network: Network
    remarks: tuple[str, ...] = field(default=())
    looks: Mapping[Path, str] = field(default_factory=dict)


def open_desk(folder: Path, overrides: Overrides) -> Desk:
    """Read the job and every file it names.

    Raises
    ------
    FileError, BoardError
    """
    job = read_job(folder, boards=overrides.boards, lens=overrides.lens, sheet=overrides.sheet, stand=overrides.stand)
    boards = read_boards(job.boards)
    stand = read_stand(job.stand) if job.stand else None
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
    known = known_boards(desk.job, desk.stand)
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
    tick("network", "first adjustment")
    done = settled_survey(desk, views_of(desk, seen, epoch))
    again = _second_look(desk, seen, epoch, done.network)
    more, looks = looked_again(desk, again, seen, tick, _kept_in(job))
    if more != seen:
        seen = more
        tick("network", "second adjustment")
        done = settled_survey(desk, views_of(desk, seen, epoch), done.network)
    network = done.network
    remarks = [*remarks, *odd, *done.remarks, *suspicions(network.rejected, network.rms_px, epoch)]
    remarks += scale_advice(job, desk.boards, network.bodies_seen)
    return Sighted(tuple(seen), epoch, network, (*remarks, *weak_spots(network)), looks)


def settled_survey(desk: Desk, views: Sequence[View], before: Network | None = None) -> Settled:
    """The survey's network with what contradicts it cured or told; it starts from an earlier network of the same photos.

    A lens profile that the photos contradict is left to them, if they can calibrate the camera.

    Raises
    ------
    MeasurementError
    """
    try:
        return _settled_survey(desk, views, before)
    except WrongLensError as err:
        return left_to_the_photos(desk, err, lambda opened: _settled_survey(opened, views, before))


def _settled_survey(desk: Desk, views: Sequence[View], before: Network | None) -> Settled:
    first = _standing(before, views) if before else None

    def adjust(some: Sequence[View], boards: BoardSet, start: Start | None, robust: bool) -> Network:
        return adjusted(replace(desk, boards=boards), some, start=first if some is views else start, robust=robust)

    return settled(views, desk.boards, Inquiry(desk.job, desk.lenses, adjust, lambda some: survey_guesses(some, desk.job)))


def _standing(network: Network, views: Sequence[View]) -> Start | None:
    """Where an adjusted network stands, if it knows all photos and bodies of these views."""
    start = start_of(network)
    known = all(seen.body in start.bodies for view in views for seen in view.seen)
    return start if known and all(view.photo in start.photos for view in views if view.seen) else None


def adjusted(desk: Desk, views: Sequence[View], start: Start | None = None, *, robust: bool = True) -> Network:
    """The survey's network: all views and tape distances at once.

    Raises
    ------
    MeasurementError
    """
    seen = {sighting.body for view in views for sighting in view.seen}
    tapes = [tape for tape in tape_distances(desk.job) if tape.a in seen and tape.b in seen]
    try:
        return adjust_network(views, desk.boards, desk.lenses, distances=tapes, start=start, robust=robust)
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


def keep_survey(desk: Desk, sighted: Sighted) -> Survey:
    """Write the joint estimate and `survey.json`; the JSON names the estimate's file, so that it counts from one moment on."""
    state = sighted.network.state
    data = state_bytes(state)
    state_sha = hashlib.sha256(data).hexdigest()
    inputs = survey_inputs(desk)
    photo_sha = {photo.name: photo.sha256 for photo in sighted.seen}
    identity = hashlib.sha256(json.dumps([inputs, photo_sha], sort_keys=True).encode()).hexdigest()[:12]
    epochs = sorted(set(sighted.epoch.values()), key=epoch_order)
    document = {
        "schema": SURVEY_SCHEMA,
        "id": identity,
        "date": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        "program": program(),
        "inputs": inputs,
        "state": STATE_FILES.replace("*", state_sha[:12]),
        "state_sha256": state_sha,
        "epochs": epochs,
        **network_document(sighted),
        "sightings": [to_document(photo.sightings) for photo in sighted.seen],
    }
    _replace_survey(desk.job, document, data)
    keep(sighted.looks)
    return Survey(identity, str(document["date"]), state, tuple(epochs), document)


def _replace_survey(job: Job, document: Mapping[str, Any], state: bytes) -> None:
    """New estimate beside the old one, the JSON that names it, then the old one goes: stopped anywhere, one stands."""
    try:
        write_result(job, document["state"], state)
        write_result(job, SURVEY_FILE, json.dumps(document, indent=1, ensure_ascii=False))
    finally:
        named = _named_state(job.results_folder / SURVEY_FILE)
        for path in job.results_folder.glob(STATE_FILES):
            if path.name != named:
                path.unlink()


def _named_state(survey_json: Path) -> str:
    if not survey_json.is_file():
        return ""
    try:
        return str(json.loads(survey_json.read_text(encoding="utf-8")).get("state", ""))
    except ValueError:
        return ""


def load_survey(desk: Desk) -> Survey:
    """The kept survey of a job.

    Raises
    ------
    FileError
        None there, damaged, or made from other boards, lens profiles or job entries than the present ones.
    """
    job = desk.job
    path = job.results_folder / SURVEY_FILE
    hint = f"run: bayfix survey {job.folder}"
    if not path.is_file():
        raise FileError(f"{job.folder}: there is no survey yet", hint=hint)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise FileError(f"{path}: damaged: {err}", hint=hint) from err
    if document.get("schema") != SURVEY_SCHEMA or "state" not in document:
        raise FileError(
            f"{path} has schema {document.get('schema')!r}, this version reads {SURVEY_SCHEMA!r} with its state", hint=hint
        )
    now = survey_inputs(desk)
    changed = [name for name in now if document["inputs"].get(name) != now[name]]
    if changed:
        raise FileError(f"{job.folder}: {', '.join(changed)} changed since the survey of {document['date']}", hint=hint)
    state_path = job.results_folder / document["state"]
    if not state_path.is_file() or hashlib.sha256(state_path.read_bytes()).hexdigest() != document["state_sha256"]:
        raise FileError(f"{state_path} is missing or does not belong to {path.name}", hint=hint)
    return Survey(document["id"], document["date"], read_state(state_path), tuple(document["epochs"]), document)


def survey_inputs(desk: Desk) -> dict[str, str]:
    """What a survey rests on besides its photos, as fingerprints: boards, lens profiles, floor, wheels, distances."""
    job = desk.job
    what = {
        "the boards": repr([board for board in desk.in_use]),
        "the lens profiles": repr(
            [(p.name, p.camera.parameters.tolist(), p.cov.tolist(), p.focus, p.wobble) for p in desk.profiles.values()]
        ),
        "the floor and wheel boards or tape distances of job.toml": repr(
            (job.floor, sorted(job.wheel_boards().items()), job.distances)
        ),
    }
    return {name: hashlib.sha256(text.encode()).hexdigest()[:16] for name, text in what.items()}


def network_document(sighted: Sighted) -> dict[str, Any]:
    """The adjustment in numbers: photos with their boards, redundancy, σ̂₀ with band, rejected sightings, weakest bodies."""
    import math

    network = sighted.network
    rejected = [{"photo": r.photo, "board": board_of(r.body), "reason": r.reason} for r in network.rejected]
    refused = [
        {"photo": photo.name, "board": refusal.board, "reason": refusal.reason}
        for photo in sighted.seen
        for refusal in photo.sightings.refused
    ]
    rms = network.rms_px
    return {
        "photos": [
            {
                "name": photo.name,
                "epoch": sighted.epoch[photo.name],
                "lens": photo.lens,
                "sha256": photo.sha256,
                "boards": {board_of(body): round(value, 4) for (name, body), value in rms.items() if name == photo.name},
            }
            for photo in sighted.seen
        ],
        "sightings_used": len(rms),
        "corners": network.corners,
        "redundancy": network.redundancy,
        "sigma0": network.sigma0,
        "sigma0_band_99": list(network.sigma0_band),
        "lenses": lens_rows(network),
        "tape": [{"a": d.a, "b": d.b, "mm": d.mm, "misfit_mm": gap} for d, gap in network.tape_misfit_mm],
        "rejected": rejected,
        "refused": refused,
        "bodies": [
            {
                "body": s.body,
                "photos": s.photos,
                "convergence_deg": math.degrees(s.convergence_rad),
                "U_position_mm": 2 * s.sigma_position_mm,
                "U_rotation_deg": 2 * math.degrees(s.sigma_rotation_rad),
            }
            for s in network.strength
        ],
        "remarks": list(sighted.remarks),
    }


def program() -> str:
    return f"bayfix {version('bayfix')}"


def rest_is_there(survey: Survey) -> bool:
    return REST in survey.epochs
