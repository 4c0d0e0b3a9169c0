"""The invented bay of the demo's course: three placements one after another, and what went wrong on the way.

The measuring side gets photos and typed files only, as in `cli.demo_bay`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import tomlkit

from cli.demo_bay import DemoBay, invent, stand_text, write_job, write_photos
from synthetic_images.bay import Epoch, Stand, StandBoard
from synthetic_images.shots import epoch_shots
from vision.boards import BoardSet
from vision.imagined import free_ids
from vision.toml_io import write_whole

REFLECTOR = "reflector-1"
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
    """The demo's bay of this seed with the rounds of `STOOD` instead of its one check, and a board on a reflector."""
    demo = invent(seed)
    rng = np.random.default_rng([seed, 6])
    panel = demo.bay.epoch("check-1").stand
    if panel is None:
        raise ValueError("the demo's check has no stand")
    pattern = demo.bay.boards["stand-1"]
    reflector = replace(pattern, name=REFLECTOR, first_id=free_ids(list(demo.bay.boards), pattern))
    turn = math.radians(float(rng.uniform(1.5, 5.0)))
    boards = {LOW: panel.boards, HIGH: panel.boards, REAR: (StandBoard(REFLECTOR, 0.0, 0.0, turn, 4.0),)}
    stood = tuple(Epoch(name, stand=_stand(place, off, boards[place])) for name, (place, off) in STOOD.items())
    before = tuple(epoch for epoch in demo.bay.epochs if epoch.stand is None)
    bay = replace(demo.bay, boards=BoardSet((*demo.bay.boards, reflector)), epochs=(*before, *stood))
    shots = [shot for shot in demo.shots if shot.epoch != "check-1"]
    for name in STOOD:
        taken = epoch_shots(bay, name, rng, demo.camera)
        # the stand was moved in the middle of the round
        shots += taken[2:4] if name == MOVED else taken[:2] + taken[4:] if name == "check-2" else taken
    return DemoBay(bay, demo.camera, tuple(shots), demo.variant)


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
    write_job(_panel_only(demo), folder, seed)
    rng = np.random.default_rng([seed, 7])
    board = demo.bay.boards[REFLECTOR]
    more = (
        f'\n[[charuco]]\nname = "{REFLECTOR}"\ncolumns = {board.columns}\nrows = {board.rows}\nsquare_mm = {board.square_mm}\n'
        f"marker_mm = {board.marker_mm}\nfirst_id = {board.first_id}\n"
    )
    text = (folder / "boards.toml").read_text(encoding="utf-8")
    write_whole(folder / "boards.toml", text + more + _bars_like(text))
    write_whole(folder / "sheet.toml", _sheet())
    stand = demo.bay.epoch("check-5").stand
    write_whole(folder / "reflector.toml", stand_text(stand.boards if stand else (), rng))
    job = (folder / "job.toml").read_text(encoding="utf-8")
    named = f'stand = "stand.toml"\nstands = {{ "{REAR}" = "reflector.toml" }}'
    write_whole(folder / "job.toml", job.replace('stand = "stand.toml"', named, 1))


def _panel_only(demo: DemoBay) -> DemoBay:
    """The bay as `write_job` knows it: one check, and no board of other sets."""
    bay = demo.bay
    known = BoardSet(tuple(board for board in bay.boards if board.name != REFLECTOR))
    epochs = tuple(epoch for epoch in bay.epochs if epoch.stand is None or epoch.name == "check-1")
    return replace(demo, bay=replace(bay, boards=known, epochs=epochs))


def _bars_like(text: str) -> str:
    """The bars of the print run as they stand in the file already: the reflector's board was printed in the same go."""
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
        row = tomlkit.table()
        row.update(
            {
                "name": name,
                "target": TARGETS[name],
                "kind": "reflector" if behind else "panel",
                "target_boards": [REFLECTOR] if behind else ["stand-1", "stand-2"],
                "origin": "rear-axle" if behind else "front-axle",
                "line": "thrust",
                "side": "behind" if behind else "ahead",
            }
        )
        for figure, value in values.items():
            unit, tolerance = ("deg", 1.0) if figure == "yaw" else ("mm", 10.0)
            entry = tomlkit.inline_table()
            entry.update({"value": value, "unit": unit, "tolerance": tolerance})
            row.add(figure, entry)
        rows.append(row)
    doc.add("placement", rows)
    return tomlkit.dumps(doc)
