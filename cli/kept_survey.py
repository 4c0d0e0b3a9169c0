"""The finished survey as it is kept: written whole, and read back only while everything it rests on is as it was.

`results/survey.json` tells people and programs what the survey was made of and names the file of the joint estimate beside it
(`survey-….npz`) that later checks build on. The next survey of the same job starts from its poses.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.bodies import board_of, body_of
from calib.geometry.stylus import TouchedBy
from calib.paper.epochs import epoch_order
from calib.paper.job import Job, write_result
from cli.self_calibrating import lens_rows
from vision.camera import Wobble
from vision.errors import FileError
from vision.frames import Pose
from vision.gather import SeenPhoto
from vision.kept import keep
from vision.network import NetworkState
from vision.network_io import read_state, state_bytes
from vision.network_start import Start
from vision.sightings_io import to_document

if TYPE_CHECKING:
    from cli.stations import Desk, Sighted

SURVEY_SCHEMA = "survey/1"
SURVEY_FILE = "survey.json"
STATE_FILES = "survey-*.npz"


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
class Kept:
    """What a new survey may go on from: poses of photos that are still as they were, and sightings (photo, board) left out."""

    start: Start
    left_out: frozenset[tuple[str, str]]


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


def kept_poses(desk: Desk, seen: Sequence[SeenPhoto], epoch: Mapping[str, str]) -> Kept | None:
    """Poses of the kept survey, if it was made from the present boards, lens profiles and job entries.

    A photo counts while it has the same content, epoch and lens, a body while such a photo shows it.
    """
    try:
        document = json.loads((desk.job.results_folder / SURVEY_FILE).read_text(encoding="utf-8"))
        if document["schema"] != SURVEY_SCHEMA or document["inputs"] != survey_inputs(desk):
            return None
        now = {photo.name: (photo.sha256, epoch[photo.name], photo.lens) for photo in seen}
        rows = [r for r in document["photos"] if now.get(r["name"]) == (r["sha256"], r["epoch"], r["lens"]) and r["boards"]]
        photos = {row["name"]: _pose("cam", "survey", row["cam_from_survey"]) for row in rows}
        shown = {body_of(board, row["epoch"], desk.job.floor) for row in rows for board in row["boards"]}
        bodies = {
            row["body"]: _pose("survey", row["body"], row["survey_from_body"])
            for row in document["bodies"]
            if row["body"] in shown
        }
        left_out = frozenset((row["photo"], row["board"]) for row in document["rejected"])
    except (OSError, ValueError, KeyError, TypeError):  # none there, damaged, or of an earlier version: start from nothing
        return None
    return Kept(Start(photos, bodies, ()), left_out) if photos else None


def _pose(target: str, source: str, row: Mapping[str, Sequence[float]]) -> Pose:
    return Pose.from_rt(target, source, [math.radians(angle) for angle in row["turn_deg"]], row["shift_mm"])


def _pose_row(pose: Pose) -> dict[str, list[float]]:
    """Rotation vector and translation."""
    turn = [math.degrees(angle) for angle in pose.transform.rotation.as_rotvec()]
    return {"turn_deg": turn, "shift_mm": pose.translation_mm.tolist()}


def survey_inputs(desk: Desk) -> dict[str, str]:
    """What a survey rests on besides its photos, as fingerprints: boards, lens profiles, floor, wheels, distances.

    The target's boards do not belong to it: the next placement may have another target on the same survey.
    """
    job = desk.job
    standing = {*job.floor, *job.car_boards()}
    what = {
        "the boards": repr([board for board in desk.boards if board.name in standing]),
        "the lens profiles": repr(
            [
                (p.name, p.camera.parameters.tolist(), p.cov.tolist(), p.focus, _unsteady(p.wobble))
                for p in desk.profiles.values()
            ]
        ),
        "the floor and wheel boards or tape distances of job.toml": repr(
            (job.floor, sorted(job.wheel_boards().items()), job.distances, *job.body.boards)
        ),
    }
    return {name: hashlib.sha256(text.encode()).hexdigest()[:16] for name, text in what.items()}


def _unsteady(wobble: Wobble) -> tuple[float, ...]:
    """What a lens profile says of it; no drift is as if profiles could not say one."""
    drift = (wobble.row_drift_px,) if wobble.row_drift_px else ()
    return (wobble.focal_percent, wobble.centre_px, *drift)


def network_document(sighted: Sighted) -> dict[str, Any]:
    """The adjustment in numbers: photos with their boards, redundancy, σ̂₀ with band, rejected sightings, weakest bodies."""
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
                **(
                    {"cam_from_survey": _pose_row(network.cam_from_survey[photo.name])}
                    if photo.name in network.cam_from_survey
                    else {}
                ),
            }
            for photo in sighted.seen
        ],
        "sightings_used": len(rms),
        "corners": network.corners,
        "redundancy": network.redundancy,
        "sigma0": network.sigma0,
        "sigma0_band_99": list(network.sigma0_band),
        "noise_share": network.state.noise_share,
        "row_drift_px": network.state.row_drift_px,
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
                "survey_from_body": _pose_row(network.state.pose(s.body)),
            }
            for s in network.strength
        ],
        "remarks": list(sighted.remarks),
    }


def program() -> str:
    return f"bayfix {version('bayfix')}"
