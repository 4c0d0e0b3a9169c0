"""The invented bay of the demo's course: placements one after another, and what went wrong on the way.

The measuring side gets photos and typed files only, as in `cli.demo_bay`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import tomlkit

from cli.demo_bay import DemoBay, invent, row_of, stand_text, write_job, write_photos
from cli.demo_more_targets import (
    LEFT,
    MAT,
    PAIR,
    REFLECTOR,
    RIGHT,
    face_text,
    mat_placement,
    mat_text,
    more_boards,
    more_epochs,
    true_mat_figures,
    true_pair_figures,
)
from synthetic_images import truth
from synthetic_images.bay import Epoch, Stand, StandBoard
from synthetic_images.shots import epoch_shots
from vision.boards import Board, BoardSet
from vision.toml_io import write_whole

LOW, HIGH, REAR = "low", "high", "rear-left"
PLACES = {
    LOW: {"distance": 2600.0, "lateral": 0.0, "height": 1100.0, "yaw": 0.0},
    HIGH: {"distance": 2600.0, "lateral": 0.0, "height": 1400.0, "yaw": 0.0},
    REAR: {"distance": 1400.0, "lateral": 1900.0, "height": 550.0, "yaw": -45.0},
}
TARGETS = {LOW: "front camera panel, first height", HIGH: "front camera panel, second height", REAR: "rear corner reflector"}
STOOD = {
    "check-1": (LOW, (2.0, -18.0, 1.0, 0.1)),
    "check-2": (LOW, (1.0, 2.0, -1.0, 0.05)),
    "check-2-moved": (LOW, (10.0, 4.0, -1.0, 0.05)),
    "check-3": (LOW, (1.5, -1.0, 1.0, 0.1)),
    "check-4": (HIGH, (-1.0, 1.0, -1.5, -0.1)),
    "check-5": (REAR, (1.0, -1.5, 0.5, 0.1)),
}
"""Which placement each round of photos shows, and how far off the target stood: distance, lateral, height (mm), yaw (deg)."""
MOVED = "check-2-moved"


def course(seed: int) -> DemoBay:
    """The demo's bay of this seed with the rounds of `STOOD` and of `demo_more_targets` instead of its one check."""
    demo = invent(seed)
    rng = np.random.default_rng([seed, 6])
    panel = demo.bay.epoch("check-1").stand
    if panel is None:
        raise ValueError("the demo's check has no stand")
    turn = math.radians(float(rng.uniform(1.5, 5.0)))
    reflector = (StandBoard(REFLECTOR, 0.0, 0.0, turn, 4.0),)
    boards = {LOW: panel.boards, HIGH: panel.boards, REAR: reflector}
    stood = tuple(Epoch(name, stand=_stand(place, off, boards[place])) for name, (place, off) in STOOD.items())
    stood += more_epochs(demo.bay, reflector, rng)
    before = tuple(epoch for epoch in demo.bay.epochs if not epoch.is_check)
    bay = replace(demo.bay, boards=more_boards(demo.bay.boards, demo.bay.boards["stand-1"]), epochs=(*before, *stood))
    shots = [shot for shot in demo.shots if shot.epoch != "check-1"]
    for name in (epoch.name for epoch in stood):
        taken = epoch_shots(bay, name, rng, demo.camera)
        # the stand was moved in the middle of the round
        shots += taken[2:4] if name == MOVED else taken[:2] + taken[4:] if name == "check-2" else taken
    return DemoBay(bay, demo.camera, tuple(shots), demo.variant)


def true_figures(demo: DemoBay, epoch: str) -> dict[str, dict[str, float]]:
    """What a round really shows, by placement: the six figures of a target, the places of a mat's marks."""
    bay = demo.bay
    if epoch in STOOD:
        stand = bay.epoch(epoch).stand
        return {STOOD[epoch][0]: truth.line_frame(bay, stand, "rest").figures(bay.bay_from_target(epoch))} if stand else {}
    if bay.epoch(epoch).mats:
        return {MAT: true_mat_figures(bay, epoch)}
    return true_pair_figures(bay, epoch)


def _stand(placement: str, off: tuple[float, float, float, float], boards: tuple[StandBoard, ...]) -> Stand:
    distance, lateral, height, yaw_deg = (value + d for value, d in zip(PLACES[placement].values(), off, strict=True))
    yaw = math.radians(yaw_deg)
    if placement == REAR:
        return Stand(-distance, lateral, height, yaw, 0.0, 0.0, boards, origin="rear_axle")
    return Stand(distance, lateral, height, yaw, 0.0, 0.0, boards)


def write_course(demo: DemoBay, folder: Path, seed: int) -> Iterator[str]:
    """Photos, then the typed files; yields each photo's name once it is there."""
    yield from write_photos(demo, folder, seed)
    for path in sorted((folder / "photos" / MOVED).iterdir()):
        path.replace(folder / "photos" / "check-2" / path.name)
    (folder / "photos" / MOVED).rmdir()
    write_typed(demo, folder, seed)


def write_typed(demo: DemoBay, folder: Path, seed: int) -> None:
    """What the shop measured and typed."""
    write_job(_panel_only(demo), folder, seed)
    rng = np.random.default_rng([seed, 7])
    text = (folder / "boards.toml").read_text(encoding="utf-8")
    bars = _bars_of(text)
    more = "".join(_board_text(demo.bay.boards[name], bars) for name in _more(demo))
    write_whole(folder / "boards.toml", text + more)
    write_whole(folder / "sheet.toml", _sheet())
    stand = demo.bay.epoch("check-5").stand
    write_whole(folder / "reflector.toml", stand_text(stand.boards if stand else (), rng))
    write_whole(folder / "face-2.toml", face_text(rng))
    write_whole(folder / "mat.toml", mat_text(rng))
    job = (folder / "job.toml").read_text(encoding="utf-8")
    stands = {REAR: "reflector.toml", LEFT: "reflector.toml", RIGHT: "second.toml", MAT: "mat.toml"}
    named = ", ".join(f'"{place}" = "{file}"' for place, file in stands.items())
    text = job.replace('stand = "stand.toml"', f'stand = "stand.toml"\nstands = {{ {named} }}', 1)
    write_whole(folder / "job.toml", text)


def _more(demo: DemoBay) -> list[str]:
    """Boards that the shop printed besides the starter set."""
    names = [board.name for board in demo.bay.boards]
    return names[names.index(REFLECTOR) :]


def _board_text(board: Board, bars: str) -> str:
    return (
        f'\n[[charuco]]\nname = "{board.name}"\ncolumns = {board.columns}\nrows = {board.rows}\n'
        f"square_mm = {board.square_mm}\nmarker_mm = {board.marker_mm}\nfirst_id = {board.first_id}\n{bars}"
    )


def _panel_only(demo: DemoBay) -> DemoBay:
    """The bay as `write_job` knows it: one check, and no board of other sets."""
    bay = demo.bay
    known = BoardSet(tuple(board for board in bay.boards if board.name not in _more(demo)))
    epochs = tuple(epoch for epoch in bay.epochs if not epoch.is_check or epoch.name == "check-1")
    return replace(demo, bay=replace(bay, boards=known, epochs=epochs))


def _bars_of(text: str) -> str:
    """The bars of the print run as they stand in the file already: the other boards were printed in the same go."""
    doc = tomlkit.parse(text)
    measured = next(row["measured"] for row in doc["charuco"] if row["name"] == "stand-1")
    return f"measured = {measured.as_string()}\n"


def _sheet() -> str:
    doc = tomlkit.document()
    doc.add("schema", "placement-sheet/2")
    doc.add(tomlkit.comment("Numbers of an invented car: they belong to the demo and to no vehicle."))
    provenance = tomlkit.table()
    provenance.update({"document": "invented service data of the demo", "edition": "1", "typed_by": "A. B."})
    doc.add("provenance", provenance)
    rows = tomlkit.aot()
    for name, values in PLACES.items():
        behind = name == REAR
        kind, boards = ("reflector", [REFLECTOR]) if behind else ("panel", ["stand-1", "stand-2"])
        row = row_of(name=name, target=TARGETS[name], kind=kind, target_boards=boards)
        row.update(row_of(origin="rear-axle" if behind else "front-axle", line="thrust", side="behind" if behind else "ahead"))
        rows.append(_with_figures(row, values))
    for name, values in PAIR.items():
        row = row_of(name=name, target=f"corner reflector, {name.replace('-', ' ')}", kind="reflector", origin="front-axle")
        row.update(row_of(line="thrust", side="ahead", **({"with": LEFT} if name == RIGHT else {})))
        rows.append(_with_figures(row, values))
    rows.append(mat_placement())
    doc.add("placement", rows)
    return tomlkit.dumps(doc)


def _with_figures(row: tomlkit.items.Table, values: dict[str, float]) -> tomlkit.items.Table:
    for figure, value in values.items():
        unit, tolerance = ("deg", 1.0) if figure == "yaw" else ("mm", 10.0)
        entry = tomlkit.inline_table()
        entry.update({"value": value, "unit": unit, "tolerance": tolerance})
        row.add(figure, entry)
    return row
