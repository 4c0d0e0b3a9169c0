"""Faults of a job: what goes wrong in a bay, in its photos or in its typed files, by the sizes people really produce.

One description serves simulated corners and rendered photos: which photos show something else than the demo's (`takes`), what
was typed wrongly (`typed`), and what happened to the picture files (`pictures`, rendered only).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from cli.demo_bay import CHECK, DemoBay
from synthetic_images.bay import Bay, Bend, Stand
from synthetic_images.corners import BoardCorners, visible_corners
from synthetic_images.rigid import Array, rigid, rot_y
from synthetic_images.scene import HALF_WIDTH_MM
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera
from tests.support.picture_faults import copied, drifted, drifts_of_a_hand, flipped, saved_again
from tests.support.simulated import Scene

BUMP_MM, BUMP_DEG = 3.0, 0.2
STAND_MM, ZOOM, ROLLED_MM, BENT_MM, SCALE = 3.0, 1.01, 2.0, 2.0, 1.005

CAUGHT, BOUNDED, UNSEEN = "caught", "bounded by U", "not observable"


@dataclass(frozen=True)
class Ghost:
    """A second image of a board in one photo: on a screen at `size` times its size, or mirrored in the side of the car."""

    board: str
    bay_from_board: Array
    size: float = 1.0
    in_panel: bool = False


@dataclass(frozen=True)
class Take:
    """What stood before which camera when a photo was taken."""

    bay: Bay
    camera: TrueCamera
    shot: Shot
    ghosts: tuple[Ghost, ...] = ()

    def corners(self, **limits: float) -> tuple[BoardCorners, ...]:
        return visible_corners(self.bay, self.camera, self.shot, **limits)


Takes = dict[str, Take]


def usual(demo: DemoBay) -> Takes:
    """The demo's photos of the bay as they should be."""
    return {shot.file_name: Take(demo.bay, demo.camera, shot) for shot in demo.shots if shot.epoch != "lens"}


def with_takes(of: Scene, changed: Mapping[str, Take]) -> Scene:
    """The scene with some photos showing something else."""
    return Scene(of.demo, {**of.corners, **{photo: take.corners() for photo, take in changed.items()}})


def since(demo: DemoBay, first: str) -> list[str]:
    """Names of the demo's photos from this one on, in the order they were taken."""
    names = list(usual(demo))
    return names[names.index(first) :]


def in_bay(demo: DemoBay, photos: Iterable[str], bay: Bay) -> Takes:
    takes = usual(demo)
    return {photo: replace(takes[photo], bay=bay) for photo in photos}


def bumped(demo: DemoBay, board: str, first: str) -> Takes:
    """A floor board kicked by 3 mm and 0.2° before this photo was taken."""
    east, north = BUMP_MM * 0.8, BUMP_MM * 0.6
    bay = demo.bay.with_floor_board_moved(board, east, north)
    turned = tuple(
        replace(fb, turn_rad=fb.turn_rad + math.radians(BUMP_DEG)) if fb.name == board else fb for fb in bay.floor_boards
    )
    return in_bay(demo, since(demo, first), replace(bay, floor_boards=turned))


def shifted_on_wheel(demo: DemoBay, position: str, first: str, **change: float) -> Takes:
    """A board that sits otherwise on its wheel from this photo on (`change`: fields of `Mount`, added)."""

    def moved(wheel: Any) -> Any:
        if wheel.position != position:
            return wheel
        mount = wheel.mount
        new = {name: getattr(mount, name) + by for name, by in change.items() if name != "off_centre_mm"}
        if "off_centre_mm" in change:
            new["off_centre_mm"] = (mount.off_centre_mm[0] + change["off_centre_mm"], mount.off_centre_mm[1])
        return replace(wheel, mount=replace(mount, **new))

    return in_bay(demo, since(demo, first), replace(demo.bay, wheels=tuple(moved(wheel) for wheel in demo.bay.wheels)))


def otherwise(demo: DemoBay, epoch: str, photos: Iterable[str], **change: Any) -> Takes:
    """These photos of an epoch with the car (or the stand) elsewhere: fields of `Epoch`, numbers added."""
    old = demo.bay.epoch(epoch)
    new = {name: getattr(old, name) + by if isinstance(by, float) else by for name, by in change.items()}
    epochs = tuple(replace(e, **new) if e.name == epoch else e for e in demo.bay.epochs)
    return in_bay(demo, photos, replace(demo.bay, epochs=epochs))


def of_epoch(demo: DemoBay, epoch: str, first: int = 1) -> list[str]:
    names = [name for name in usual(demo) if name.startswith(f"{epoch}/")]
    return names[first - 1 :]


def stand_moved(demo: DemoBay, first: int) -> Takes:
    stand = demo.bay.epoch(CHECK).stand
    assert isinstance(stand, Stand)
    moved = replace(stand, lateral_mm=stand.lateral_mm + 0.8 * STAND_MM, distance_mm=stand.distance_mm + 0.6 * STAND_MM)
    return otherwise(demo, CHECK, of_epoch(demo, CHECK, first), stand=moved)


def zoomed(demo: DemoBay, first: str) -> Takes:
    camera = replace(demo.camera, fx_px=demo.camera.fx_px * ZOOM, fy_px=demo.camera.fy_px * ZOOM)
    takes = usual(demo)
    return {photo: replace(takes[photo], camera=camera) for photo in since(demo, first)}


def misfiled(demo: DemoBay, photo: str, taken_in: str) -> Takes:
    """A photo in this folder that was really taken in another epoch."""
    take = usual(demo)[photo]
    return {photo: replace(take, shot=replace(take.shot, epoch=taken_in))}


def printed_larger(demo: DemoBay, board: str) -> Takes:
    def true(b: Any) -> Any:
        return replace(b, scale=replace(b.scale, x=b.scale.x * SCALE, y=b.scale.y * SCALE)) if b.name == board else b

    boards = type(demo.bay.boards)(tuple(true(b) for b in demo.bay.boards))
    return in_bay(demo, _that_can_show(demo, board), replace(demo.bay, boards=boards))


def _that_can_show(demo: DemoBay, board: str) -> list[str]:
    """A stand's boards are in the photos of the check only."""
    return of_epoch(demo, CHECK) if board.startswith("stand-") else list(usual(demo))


def bent(demo: DemoBay, board: str) -> Takes:
    bends = {**demo.bay.bends, board: Bend(BENT_MM, 0.3)}
    return in_bay(demo, _that_can_show(demo, board), replace(demo.bay, bends=bends))


def edit(path: Path, change: Callable[[Any], None]) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def swap_wheels(folder: Path, *pairs: tuple[str, str]) -> None:
    """The job says of each pair of wheels that it carries the other's board."""

    def change(document: Any) -> None:
        wheels = document["wheels"]
        for one, two in pairs:
            wheels[one]["board"], wheels[two]["board"] = str(wheels[two]["board"]), str(wheels[one]["board"])

    edit(folder / "job.toml", change)


def misread_bars(folder: Path) -> None:
    """Every check bar read 0.5 % too short."""

    def change(document: Any) -> None:
        for board in document["charuco"]:
            if "measured" in board:
                for axis in ("x_mm", "y_mm"):
                    board["measured"][axis] = round(float(board["measured"][axis]) / SCALE, 2)

    edit(folder / "boards.toml", change)


def no_tape(folder: Path) -> None:
    edit(folder / "job.toml", lambda document: document.pop("distance"))


def other_lens(folder: Path) -> None:
    """The profile of another camera of the same model: focal length 0.6 % off, principal point 9 px."""

    def change(document: Any) -> None:
        camera = document["camera"]
        camera["fx_px"], camera["fy_px"] = 1.006 * float(camera["fx_px"]), 1.006 * float(camera["fy_px"])
        camera["cx_px"], camera["cy_px"] = float(camera["cx_px"]) + 7.0, float(camera["cy_px"]) - 6.0

    edit(folder / "shop.lens.toml", change)


def on_a_screen(demo: DemoBay, board: str, photos: Iterable[str]) -> Takes:
    """The board also on a screen of four fifths its size, up in the left of these photos, 2 m from the camera."""
    there = rigid(rot_y(0.35), [-700.0, -420.0, 2000.0])
    takes = usual(demo)
    return {p: replace(takes[p], ghosts=(Ghost(board, takes[p].shot.bay_from_cam @ there, size=0.8),)) for p in photos}


def in_the_panel(demo: DemoBay, photos: Iterable[str]) -> Takes:
    """All floor boards beside the car mirrored in its shiny sides."""
    takes = usual(demo)

    def ghosts(take: Take) -> tuple[Ghost, ...]:
        car = take.bay.bay_from_car_in(take.shot.epoch)
        out = []
        for fb in take.bay.floor_boards:
            side = math.copysign(1.0, fb.y_mm)
            if abs(fb.y_mm) > HALF_WIDTH_MM:
                mirror = np.diag([1.0, -1.0, 1.0, 1.0])
                mirror[1, 3] = 2.0 * side * HALF_WIDTH_MM
                pose = car @ mirror @ np.linalg.inv(car) @ take.bay.bay_from_floor_board(fb)
                out.append(Ghost(fb.name, pose, in_panel=True))
        return tuple(out)

    return {photo: replace(takes[photo], ghosts=ghosts(takes[photo])) for photo in photos}


def nothing(_: Any) -> None:
    """Nothing typed wrongly, no file touched."""


def as_usual(_: DemoBay) -> Takes:
    return {}


@dataclass(frozen=True)
class Fault:
    """One fault.

    Attributes
    ----------
    name, size : str
    expected : str
        `CAUGHT`, `BOUNDED` or `UNSEEN`.
    says : str
        Pattern that one message must match (board, photo, epoch); for `UNSEEN` the observation asked for; "" for `BOUNDED`.
    advises : str
        Pattern of what to do, in the same message.
    refused : bool
        No figure may come out.
    takes, typed, pictures
        What the photos show, what is typed, what happens to the photo files.
    """

    name: str
    size: str
    expected: str
    says: str = ""
    advises: str = ""
    refused: bool = False
    takes: Callable[[DemoBay], Takes] = as_usual
    typed: Callable[[Path], None] = nothing
    pictures: Callable[[Path], None] = nothing

    @property
    def needs_pictures(self) -> bool:
        return self.pictures is not nothing


def both(*changes: Callable[[Path], None]) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        for one in changes:
            one(folder)

    return change


BUMP = f"{BUMP_MM:g} mm, {BUMP_DEG:g}°"
CHOCKS, FASTEN = "set chocks and brake", "fasten the rear left board"
FAULTS = (
    Fault(
        "wheel boards swapped left/right",
        "rear axle",
        CAUGHT,
        r"left and right are exchanged on one axle.*|rear left = wheel-rear-right",
        "check which board is on which wheel",
        refused=True,
        typed=lambda folder: swap_wheels(folder, ("rear_left", "rear_right")),
    ),
    Fault(
        "wheel boards swapped left/right",
        "both axles",
        CAUGHT,
        r"rear left = wheel-rear-right.*exchanged on both axles",
        "check which board is on which wheel",
        refused=True,
        typed=lambda folder: swap_wheels(folder, ("rear_left", "rear_right"), ("front_left", "front_right")),
    ),
    Fault(
        "board shifted on its wheel",
        BUMP,
        CAUGHT,
        r"rear left wheel \(wheel-rear-left\) slipped on its wheel between roll-2 and roll-3",
        FASTEN,
        refused=True,
        takes=lambda demo: shifted_on_wheel(
            demo, "rear_left", "roll-3/01.jpg", crooked_rad=math.radians(BUMP_DEG), off_centre_mm=BUMP_MM
        ),
    ),
    Fault(
        "board turned on its wheel",
        "5° about the axis",
        CAUGHT,
        r"between roll-2 and roll-3 the roll angle of the rear left wheel.*wheel-rear-left",
        FASTEN,
        refused=True,
        takes=lambda demo: shifted_on_wheel(demo, "rear_left", "roll-3/01.jpg", phase_rad=math.radians(5.0)),
    ),
    Fault(
        "board turned on its wheel",
        "0.2° about the axis",
        BOUNDED,
        takes=lambda demo: shifted_on_wheel(demo, "rear_left", "roll-3/01.jpg", phase_rad=math.radians(BUMP_DEG)),
    ),
    Fault(
        "floor board bumped between epochs",
        BUMP,
        CAUGHT,
        r"floor-8 was moved .*between roll-1/\d+\.jpg and roll-2/\d+\.jpg",
        "find out what touched floor-8",
        takes=lambda demo: bumped(demo, "floor-8", "roll-2/01.jpg"),
    ),
    Fault(
        "floor board bumped before the check",
        BUMP,
        CAUGHT,
        r"floor-12 moved by [2-5]\.\d mm since the survey: left out of this check",
        takes=lambda demo: bumped(demo, "floor-12", f"{CHECK}/01.jpg"),
    ),
    Fault(
        "stand moved between two photos of a check",
        f"{STAND_MM:g} mm",
        CAUGHT,
        r"the stand was moved .*between check-1/02\.jpg and check-1/03\.jpg: .*stand-1",
        "lock the stand's brakes",
        refused=True,
        takes=lambda demo: stand_moved(demo, 3),
    ),
    Fault(
        "print scale wrong on one board",
        "0.5 %, floor board",
        CAUGHT,
        r"the photos show floor-3 0\.[4-6] % larger than its check bars say",
        "measure the check bars of floor-3",
        takes=lambda demo: printed_larger(demo, "floor-3"),
    ),
    Fault(
        "print scale wrong on one board",
        "0.5 %, wheel board",
        CAUGHT,
        r"the photos show wheel-rear-left 0\.[4-6] % larger than its check bars say",
        "measure the check bars of wheel-rear-left",
        takes=lambda demo: printed_larger(demo, "wheel-rear-left"),
    ),
    Fault(
        "print scale wrong on one board",
        "0.5 %, stand board",
        CAUGHT,
        r"the photos show stand-1 0\.[4-7] % larger than its check bars say",
        "measure the check bars of stand-1",
        takes=lambda demo: printed_larger(demo, "stand-1"),
    ),
    Fault(
        "print scale wrong on all, with a tape distance",
        "0.5 %",
        CAUGHT,
        r"tape and (photographs|boards) contradict each other",
        "check bars",
        refused=True,
        typed=misread_bars,
    ),
    Fault(
        "print scale wrong on all, without a tape distance",
        "0.5 %",
        UNSEEN,
        r"no tape distance is given: all distances rest on the check bars alone",
        r"type it under \[\[distance\]\]",
        typed=both(misread_bars, no_tape),
    ),
    Fault(
        "zoom or focus changed half-way",
        "1 %",
        CAUGHT,
        r"zoom or focus changed between roll-2/08\.jpg and roll-3/01\.jpg: .* (0\.9|1\.\d) % larger \(lens profile shop\)",
        "lock zoom and focus",
        refused=True,
        takes=lambda demo: zoomed(demo, "roll-3/01.jpg"),
    ),
    Fault(
        "zoom or focus changed before the check",
        "1 %",
        CAUGHT,
        r"zoom or focus changed since the survey, before check-1/01\.jpg: .* (0\.9|1\.\d) % larger",
        "lock zoom and focus",
        refused=True,
        takes=lambda demo: zoomed(demo, f"{CHECK}/01.jpg"),
    ),
    Fault(
        "photo filed under the wrong epoch",
        "roll-2 in roll-3",
        CAUGHT,
        r"roll-3/02\.jpg shows wheel-front-left where it stood in roll-2",
        "move the photo into photos/roll-2",
        refused=True,
        takes=lambda demo: misfiled(demo, "roll-3/02.jpg", "roll-2"),
    ),
    Fault(
        "vehicle rolled during an epoch",
        f"{ROLLED_MM:g} mm, a wheel seen before and after",
        CAUGHT,
        r"the car \(or a board on it\) moved .*during roll-2, between roll-2/03\.jpg and roll-2/04\.jpg: see wheel-rear-left",
        CHOCKS,
        refused=True,
        takes=lambda demo: otherwise(demo, "roll-2", of_epoch(demo, "roll-2", 4), travel_mm=ROLLED_MM),
    ),
    Fault(
        "vehicle rolled during an epoch",
        f"{ROLLED_MM:g} mm, each wheel seen at one time",
        BOUNDED,
        takes=lambda demo: otherwise(demo, "roll-2", of_epoch(demo, "roll-2", 5), travel_mm=ROLLED_MM),
    ),
    Fault(
        "wheel steered between rolls",
        "3°",
        CAUGHT,
        r"the front wheels are steered by \+\d\.\d° in roll-2 against rest",
        "lock the steering wheel",
        refused=True,
        takes=lambda demo: otherwise(demo, "roll-2", of_epoch(demo, "roll-2"), steer_rad=math.radians(3.0)),
    ),
    Fault(
        "wheel steered between rolls",
        "0.3°",
        BOUNDED,
        takes=lambda demo: otherwise(demo, "roll-2", of_epoch(demo, "roll-2"), steer_rad=math.radians(-0.3)),
    ),
    Fault(
        "lens profile of another camera of the model",
        "0.6 %, 9 px",
        CAUGHT,
        r"the photos \(roll-1/01\.jpg … rest/12\.jpg\) do not fit lens profile shop",
        "calibrate this very camera",
        refused=True,
        typed=other_lens,
    ),
)
BENT = (
    Fault(
        "bent wheel board",
        f"{BENT_MM:g} mm",
        CAUGHT,
        r"wheel-rear-left is bent",
        "stiff and flat",
        takes=lambda demo: bent(demo, "wheel-rear-left"),
    ),
    Fault(
        "bent stand board",
        f"{BENT_MM:g} mm",
        CAUGHT,
        r"stand-1 is bent",
        "stiff and flat",
        takes=lambda demo: bent(demo, "stand-1"),
    ),
)
PICTURES = (
    Fault(
        "duplicate photo",
        "the same file twice",
        CAUGHT,
        r"rest/13\.jpg is the same picture as rest/04\.jpg",
        "left out",
        pictures=lambda photos: copied(photos, "rest/04.jpg", "rest/13.jpg"),
    ),
    Fault(
        "duplicate photo",
        "saved again by an editor",
        CAUGHT,
        r"rest/13\.jpg is the same picture as rest/04\.jpg, saved again",
        "left out",
        pictures=lambda photos: saved_again(photos, "rest/04.jpg", "rest/13.jpg"),
    ),
    Fault(
        "mirror-image photo",
        "one",
        CAUGHT,
        r"rest/03\.jpg is a mirror image",
        "switch mirroring off",
        pictures=lambda photos: flipped(photos, "rest/03.jpg"),
    ),
    Fault(
        "rolling shutter",
        "10 px over 1000 rows, one photo",
        CAUGHT,
        r"the camera moved while it read the picture \(rolling shutter\), rest/06\.jpg by 1\d\.\d px",
        "hold the camera still",
        pictures=lambda photos: drifted(photos, {"rest/06.jpg": (8.0, 6.0)}),
    ),
    Fault(
        "rolling shutter",
        "1 px over 1000 rows, all photos",
        BOUNDED,
        pictures=lambda photos: drifted(photos, drifts_of_a_hand(photos)),
    ),
    Fault(
        "board mirrored in a shiny panel",
        "35 % of the light, four photos",
        BOUNDED,
        takes=lambda demo: in_the_panel(demo, of_epoch(demo, "rest")[:4]),
    ),
    Fault(
        "printed board also on a screen",
        "80 %, two photos",
        CAUGHT,
        r"rest/0[56]\.jpg: floor-5 is not where the other photos have it",
        "another print of it, a screen or a mirror",
        takes=lambda demo: on_a_screen(demo, "floor-5", ("rest/05.jpg", "rest/06.jpg")),
    ),
)
