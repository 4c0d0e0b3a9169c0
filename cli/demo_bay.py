"""The invented shop of the demo: what its technician measured and typed, each within its ±, about a bay whose truth is known.

The measuring side gets only what is written here: never the true camera, print scales or stand-offs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import tomlkit

from calib.geometry.tyres import tyre_size
from synthetic_images import truth
from synthetic_images.bay import Bay, FloorBoard, StandBoard
from synthetic_images.imaging import Imaging, exif_of, write_jpeg
from synthetic_images.invent import draw_true_scales, random_bay
from synthetic_images.misprint import draw_misprints
from synthetic_images.render import render_photo
from synthetic_images.shot import Shot
from synthetic_images.shots import demo_shots
from synthetic_images.touches import TEACH, teach_shots, touch_epoch, touch_shots, true_stylus, with_stylus
from synthetic_images.true_camera import TrueCamera, still_camera, webcam
from vision.boards import BoardSet
from vision.boards_io import record_bars, starter_boards, starter_text
from vision.parallel import in_parallel
from vision.toml_io import write_whole

BAR_MM, BAR_PM_MM = 140.0, 0.1
STANDOFF_PM_MM = 0.6
TAPE_PM_MM = 0.8
STAND_PM_MM, STAND_TURN_PM_DEG, BEHIND_PM_MM = 0.4, 0.04, 0.2
TYRES = ("205/55R16", "215/55R16", "205/60R16", "215/60R16")
ROLLS = 0.975
"""Rolling circumference of a tyre over π times its nominal diameter."""
ANGLE_LIMITS_DEG = {"thrust_angle": (0.0, 0.3), "rear_total_toe": (0.12, 0.4), "front_total_toe": (0.12, 0.4)}
LENGTH_LIMITS_MM = {"diagonal_difference": (0.0, 15.0), "rolling_diameter_difference_rear": (0.0, 10.0)}
IMAGING = Imaging(blur_px=0.6, read_noise=1.2, shot_noise=2.0, mosaic=True, quality=94)
CHECK = "check-1"
STYLUS_BOARD, BUMPER = "stylus-1", "bumper"
NOSE_MM, BUMPER_HEIGHT_MM = 850.0, 520.0
FROM_BUMPER_MM = 1750.0
DIMPLE_MM = (4250.0, 30.0)
"""In the floor between the four boards before the car."""


@dataclass(frozen=True, slots=True, eq=False)
class DemoBay:
    """The truth of one demo: bay, camera and the list of photos, and the generator that draws what people measure."""

    bay: Bay
    camera: TrueCamera
    shots: tuple[Shot, ...]
    variant: str


def invent(seed: int, *, variant: str = "a4", megapixels: int = 2) -> DemoBay:
    """A bay, a camera (2 or 12 megapixels) and a photo list for this seed."""
    rng = np.random.default_rng(seed)
    boards = _standing(starter_boards("a3" if variant == "a3" else "a4"))
    bay = random_bay(boards, rng, true_scales=draw_true_scales(boards, rng))
    bay = replace(bay, misprints=draw_misprints(boards, np.random.default_rng([seed, 4])))
    camera = webcam() if megapixels == 2 else still_camera()
    return DemoBay(bay, camera, tuple(demo_shots(bay, rng, camera)), variant)


def _standing(boards: BoardSet) -> BoardSet:
    """Boards of the usual bay: none held by hand (a stylus), none on the car's body."""
    return BoardSet(tuple(board for board in boards if not board.name.startswith(("stylus-", "body-"))))


def with_touches(demo: DemoBay, seed: int) -> DemoBay:
    """The same bay with a stylus in it, and the photos of its teaching and of the touched bumper instead of all others."""
    rng = np.random.default_rng([seed, 3])
    nominal = starter_boards("a3" if demo.variant == "a3" else "a4")[STYLUS_BOARD]
    stylus = true_stylus(nominal, rng)
    bay = with_stylus(demo.bay, nominal, rng, [TEACH, touch_epoch(BUMPER)])
    dimple = np.array([*DIMPLE_MM, bay.floor.height_mm(*DIMPLE_MM)])
    shots = teach_shots(bay, demo.camera, rng, stylus, dimple)
    shots += touch_shots(bay, demo.camera, rng, stylus, BUMPER, bumper_mm(bay), np.array([1.0, 0.0, 0.3]))
    return DemoBay(bay, demo.camera, tuple(shots), demo.variant)


def bumper_mm(bay: Bay) -> np.ndarray:
    """The middle of the bumper's face at `rest`, shape (3,)."""
    ahead = bay.wheel("front_left").reference_in_car_mm[0] + NOSE_MM
    point: np.ndarray = (bay.bay_from_car_in("rest") @ np.array([ahead, 0.0, BUMPER_HEIGHT_MM, 1.0]))[:3]
    return point


def true_bumper_distance_mm(demo: DemoBay) -> float:
    """From the bumper to the target's centre along the thrust line."""
    stand = demo.bay.epoch(CHECK).stand
    if stand is None:
        raise ValueError("no stand is set up")
    frame = truth.line_frame(demo.bay, stand, "rest")
    return float((demo.bay.bay_from_target(CHECK)[:3, 3] - bumper_mm(demo.bay)) @ frame.axes[:, 0])


def write_job(demo: DemoBay, folder: Path, seed: int) -> None:
    """What the shop measured and typed: boards.toml, sheet.toml, stand.toml, job.toml."""
    rng = np.random.default_rng([seed, 1])
    boards_file = folder / "boards.toml"
    write_whole(boards_file, starter_text("a3" if demo.variant == "a3" else "a4"))
    first = next(iter(starter_boards("a3" if demo.variant == "a3" else "a4"))).name
    for run_board in _one_of_each_run(demo, first):
        true = demo.bay.boards[run_board].scale
        x, y = (round(BAR_MM * scale + within(BAR_PM_MM, rng), 2) for scale in (true.x, true.y))
        record_bars(boards_file, run_board, x, y, BAR_PM_MM, all_like=run_board)
    write_whole(folder / "sheet.toml", _sheet())
    write_whole(folder / "sheet-bumper.toml", _sheet(f"point:{BUMPER}", FROM_BUMPER_MM))
    write_whole(folder / "stand.toml", stand_text(_on_stand(demo.bay), rng))
    write_whole(folder / "job.toml", _job(demo, rng))
    write_whole(folder / "vehicle.toml", _vehicle(demo.bay))


def write_photos(demo: DemoBay, folder: Path, seed: int, *, cores: int | None = None, part: int = 2) -> Iterator[str]:
    """Render every photo of the list as a JPEG below `photos/`, `lens/` and `teach/`; yields each file's name once it is there.

    `part` gives photos of another list their own noise.
    """
    work = [(demo, shot, folder, [seed, part, i]) for i, shot in enumerate(demo.shots)]
    yield from in_parallel(_render_one, work, cores=cores)


def true_figures(demo: DemoBay) -> dict[str, float]:
    return dict(truth.figures(demo.bay, CHECK))


def _one_of_each_run(demo: DemoBay, first: str) -> list[str]:
    runs: dict[str, str] = {}
    for board in demo.bay.boards:
        runs.setdefault(board.print_run, board.name)
    return list(runs.values()) or [first]


def _render_one(work: tuple[DemoBay, Shot, Path, list[int]]) -> str:
    import cv2

    demo, shot, folder, seed = work
    cv2.setNumThreads(1)
    image = render_photo(demo.bay, demo.camera, shot, np.random.default_rng(seed), IMAGING)
    root = folder if shot.epoch in ("lens", TEACH) else folder / "photos"
    path = root / shot.file_name
    path.parent.mkdir(parents=True, exist_ok=True)
    write_jpeg(path, image, exif_of(demo.camera), quality=IMAGING.quality)
    return shot.file_name


def within(pm: float, rng: np.random.Generator) -> float:
    """An error whose half-width at k = 2 is `pm`."""
    return float(np.clip(rng.normal(0.0, pm / 2.0), -1.5 * pm, 1.5 * pm))


def _sheet(origin: str = "front-axle", distance_mm: float = 2600.0) -> str:
    doc = tomlkit.document()
    doc.add("schema", "placement-sheet/1")
    doc.add(tomlkit.comment("Numbers of an invented car: they belong to the demo and to no vehicle."))
    doc.update({"target": "front camera panel", "origin": origin, "line": "thrust", "side": "ahead"})
    lengths = {"distance": (distance_mm, 10.0), "lateral": (0.0, 10.0), "height": (1250.0, 10.0)}
    angles = {"yaw": 0.5, "pitch": 1.0, "roll": 1.0}
    for name, (value, tolerance) in lengths.items():
        doc.add(name, row_of(value=value, unit="mm", tolerance=tolerance))
    for name, tolerance in angles.items():
        doc.add(name, row_of(value=0.0, unit="deg", tolerance=tolerance))
    doc.add("provenance", row_of(document="invented service data of the demo", edition="1", typed_by="demo"))
    return tomlkit.dumps(doc)


def row_of(**values: str | float | list[str]) -> tomlkit.items.Table:
    """A table of a file that people type."""
    table = tomlkit.table()
    table.update(values)
    return table


def _on_stand(bay: Bay) -> tuple[StandBoard, ...]:
    stand = bay.epoch(CHECK).stand
    return stand.boards if stand else ()


STAND_PARTS = """
# What the stand is moved by: a check says which, and how far.
[[adjuster]]
name = "left castor"
makes = ["turn"]
right_mm = -400.0
behind_mm = 150.0

[[adjuster]]
name = "right castor"
makes = ["turn"]
right_mm = 400.0
behind_mm = 150.0

[[adjuster]]
name = "both castors"
makes = ["distance"]

[[adjuster]]
name = "cross slide"
makes = ["lateral"]

[[adjuster]]
name = "height spindle"
makes = ["height"]
mm_per_turn = 4.0
ways = { up = "clockwise", down = "counter-clockwise" }

[[adjuster]]
name = "tip screw"
makes = ["tip"]
arm_mm = 300.0
mm_per_turn = 1.25

[[adjuster]]
name = "foot screw on the left"
makes = ["tilt"]
arm_mm = 700.0
mm_per_turn = 1.5
"""
"""As seen facing the target, like the boards' places."""


def stand_text(boards: tuple[StandBoard, ...], rng: np.random.Generator) -> str:
    """A stand file as the shop typed it, each value within its ±."""
    doc = tomlkit.document()
    doc.add("schema", "stand/1")
    rows = tomlkit.aot()
    for board in boards:
        rows.append(
            row_of(
                name=board.name,
                right_mm=round(board.right_mm + within(STAND_PM_MM, rng), 2),
                up_mm=round(board.up_mm + within(STAND_PM_MM, rng), 2),
                turn_deg=round(math.degrees(board.turn_rad) + within(STAND_TURN_PM_DEG, rng), 3),
                behind_mm=round(board.behind_mm + within(BEHIND_PM_MM, rng), 2),
                right_pm_mm=STAND_PM_MM,
                up_pm_mm=STAND_PM_MM,
                turn_pm_deg=STAND_TURN_PM_DEG,
                behind_pm_mm=BEHIND_PM_MM,
            )
        )
    doc.add("board", rows)
    return tomlkit.dumps(doc) + STAND_PARTS


def _job(demo: DemoBay, rng: np.random.Generator) -> str:
    doc = tomlkit.document()
    doc.add("schema", "job/1")
    doc.update({"lens": ["shop.lens.toml"], "boards": "boards.toml", "sheet": "sheet.toml", "stand": "stand.toml"})
    floor = [board.name for board in demo.bay.floor_boards]
    doc.add("floor", floor)
    doc.add("floor_pm_mm", 2.0)
    wheels = tomlkit.table(is_super_table=True)
    for wheel in demo.bay.wheels:
        standoff = round(wheel.mount.standoff_mm + within(STANDOFF_PM_MM, rng), 2)
        wheels.add(wheel.position, row_of(board=wheel.board, standoff_mm=standoff, standoff_pm_mm=STANDOFF_PM_MM))
    doc.add("wheels", wheels)
    if demo.bay.body_boards:
        doc.add("body", row_of(boards=[board.name for board in demo.bay.body_boards], settle_pm_mm=0.0))
    a, b = _far_apart(demo.bay.floor_boards)
    rows = tomlkit.aot()
    rows.append(row_of(a=a, b=b, mm=round(_tape_mm(demo.bay, a, b) + within(TAPE_PM_MM, rng), 1), pm_mm=TAPE_PM_MM))
    doc.add("distance", rows)
    return tomlkit.dumps(doc)


def _vehicle(bay: Bay) -> str:
    """Limits of the invented car, and the tyre size that it would roll on as it does."""
    doc = tomlkit.document()
    doc.add("schema", "vehicle/1")
    doc.add(tomlkit.comment("Limits of an invented car: they belong to the demo and to no vehicle."))
    radius_mm = sum(wheel.radius_mm for wheel in bay.wheels) / len(bay.wheels)
    tyre = min(TYRES, key=lambda text: abs(ROLLS * tyre_size(text).diameter_mm / 2.0 - radius_mm))
    doc.update({"name": "invented mid-size car", "tyre": tyre, "toe_diameter_mm": 406.4})
    limits = tomlkit.table(is_super_table=True)
    for name, (value, tolerance) in ANGLE_LIMITS_DEG.items():
        limits.add(name, row_of(unit="deg", value=value, tolerance=tolerance))
    for name, (value, tolerance) in LENGTH_LIMITS_MM.items():
        limits.add(name, row_of(unit="mm", value=value, tolerance=tolerance))
    limits.add("floor_departure", row_of(unit="mm", most=8.0))
    doc.add("limits", limits)
    doc.add("provenance", row_of(document="invented service data of the demo", edition="1", typed_by="demo"))
    return tomlkit.dumps(doc)


def _far_apart(boards: tuple[FloorBoard, ...]) -> tuple[str, str]:
    """Two boards some 4 m apart along one side of the car, where a tape can lie straight."""
    left = [board for board in boards if board.y_mm > 1000.0]
    pairs = [(abs(abs(p.x_mm - q.x_mm) - 4000.0), p.name, q.name) for p in left for q in left if p.x_mm < q.x_mm]
    _, a, b = min(pairs)
    return a, b


def _tape_mm(bay: Bay, a: str, b: str) -> float:
    poses = bay.board_poses("rest")
    marks = [(poses[name] @ np.append(bay.boards[name].centre_mm, 1.0))[:3] for name in (a, b)]
    return float(np.linalg.norm(marks[0] - marks[1]))
