"""The frozen reference bay of `reference_bay.toml`, and random bays around it: truth, camera, photo list.

Without a generator the bay is the reference itself: every value as the file has it, boards flat and true to scale, the car
rolling on a plane. With one, car, mounting, floor, camera and photo places vary around it, and everything the shop does not
know (print scale, bends, thickness, heave, tilt of the stand boards) is drawn from exactly the law it is believed to have.
"""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from cli.demo_bay import DemoBay
from synthetic_images import truth
from synthetic_images.bay import (
    WHEEL_POSITIONS,
    Bay,
    Bend,
    Epoch,
    Floor,
    FloorBoard,
    Mount,
    Stand,
    StandBoard,
    Wheel,
    car_on_floor,
)
from synthetic_images.imaging import Imaging
from synthetic_images.lens_shots import lens_shots
from synthetic_images.misprint import Misprint, draw_misprints
from synthetic_images.rigid import Array, apply, inverse, look_at, rigid, rot_x, rot_y, rot_z
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera
from vision.boards import Board, BoardSet, PrintScale
from vision.boards_io import starter_boards

FILE = Path(__file__).with_name("reference_bay.toml")
CHECK = "check-1"
CAMERAS = ("1080p", "12mp")
FACE = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
"""Axes of a face ahead of the car as a person facing it sees it (right, down, into it), in the target frame."""
OWN_PM, BEND_SHARE = 0.0002, math.sqrt(3.0)
RANDOM_PRINT = 0.002
TYRE_MIDDLE_MM, PIVOT_SIGMA_MM = 90.0, 50.0
"""Where front wheels steer, inboard of the rim's outer flange, and how much cars differ: as the measuring side believes."""


@dataclass(frozen=True, slots=True, eq=False)
class ModeBend(Bend):
    """A board bent as its flatness half-width is read: three quadratic shapes, free of mean and slope over its corners.

    `amplitudes_mm` (3,): largest departure of u², u v, v² from the face's mean plane, at the pattern's edge. What the base
    class holds is not used.
    """

    amplitudes_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def depth_mm(self, board: Board, x_mm: Array, y_mm: Array) -> Array:
        corners = board.corners_mm()[:, :2]
        half = np.array(board.size_mm) / 2.0

        def shapes(x: Array, y: Array) -> tuple[Array, Array]:
            # the renderer also asks beyond the horizon, and throws it away
            u, v = (np.clip(np.nan_to_num(place) / h - 1.0, -9.0, 9.0) for place, h in zip((x, y), half, strict=True))
            return np.stack([1.5 * u * u, u * v, 1.5 * v * v], -1), np.stack([np.ones_like(u), u, v], -1)

        at_corners, plane = shapes(*corners.T)
        fit = np.linalg.lstsq(plane, at_corners, rcond=None)[0]
        here, flat = shapes(x_mm, y_mm)
        return np.asarray((here - flat @ fit) @ np.array(self.amplitudes_mm))


@dataclass(frozen=True, slots=True, eq=False)
class ReferenceBay(Bay):
    """A bay with everything uncertain that the measuring side reckons with.

    Attributes
    ----------
    tilts : mapping of stand board to turns about the seen right and down axis, rad
        Its printed face need not lie quite parallel to the target's.
    lifts_mm : mapping of floor board to height of its foot over the mean floor
    spins_rad : mapping of (wheel, epoch) to turn beyond travel over radius
    pivot_inboard_mm : float
        Where the front wheels steer: this far inboard of the reference point, along the axle.
    target : ndarray, shape (4, 4), optional
        `bay_from_target` itself, instead of the stand's six figures.
    """

    tilts: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    lifts_mm: Mapping[str, float] = field(default_factory=dict)
    spins_rad: Mapping[tuple[str, str], float] = field(default_factory=dict)
    pivot_inboard_mm: float = TYRE_MIDDLE_MM
    target: Array | None = None

    def bay_from_stand_board(self, attached: StandBoard, epoch: str) -> Array:
        about_right, about_down = self.tilts.get(attached.name, (0.0, 0.0))
        turn = rot_x(about_right) @ rot_y(about_down) @ rot_z(-attached.turn_rad)
        place = np.array([attached.right_mm, -attached.up_mm, -attached.behind_mm])
        face_from_board = rigid(turn, place - turn @ self.boards[attached.name].centre_mm)
        return self.bay_from_target(epoch) @ rigid(FACE, np.zeros(3)) @ face_from_board

    def bay_from_target(self, epoch: str) -> Array:
        return Bay.bay_from_target(self, epoch) if self.target is None else self.target

    def bay_from_floor_board(self, floor_board: FloorBoard) -> Array:
        pose = Bay.bay_from_floor_board(self, floor_board)
        pose[:3, 3] += self.floor.even().normal(0.0, 0.0) * self.lifts_mm.get(floor_board.name, 0.0)
        return pose

    def bay_from_wheel(self, position: str, epoch: str) -> Array:
        pose = Bay.bay_from_wheel(self, position, epoch)
        spin, wheel = self.spins_rad.get((position, epoch), 0.0), self.wheel(position)
        if spin:
            pose[:3, :3] = pose[:3, :3] @ rot_z(spin if wheel.is_left else -spin)
        steer = self.epoch(epoch).steer_rad
        if wheel.is_front and steer:
            arm = self.pivot_inboard_mm * wheel.axis_in_car()
            pose[:3, 3] += self.bay_from_car_in(epoch)[:3, :3] @ (rot_z(steer) @ arm - arm)
        return pose

    def board_poses(self, epoch: str) -> dict[str, Array]:
        return dict(_poses_once(self, epoch))


@functools.lru_cache(maxsize=32)
def _poses_once(bay: ReferenceBay, epoch: str) -> dict[str, Array]:
    """`bay_from_board` of every board; bays are told apart by identity."""
    return Bay.board_poses(bay, epoch)


@dataclass(frozen=True, slots=True, eq=False)
class TrueBay:
    """One bay of a campaign: what is true, and how its photos are taken.

    `run_scale` is the true print scale (x, y) of each print run, without the boards' own parts.
    """

    reference: Mapping[str, Any]
    bay: ReferenceBay
    camera: TrueCamera
    shots: tuple[Shot, ...]
    lens_shots: tuple[Shot, ...]
    imaging: Imaging
    variant: str
    run_scale: Mapping[str, Array]

    @property
    def demo(self) -> DemoBay:
        return DemoBay(self.bay, self.camera, self.shots, self.variant)

    @property
    def known(self) -> Mapping[str, float]:
        return dict(self.reference["known"])

    @property
    def figures(self) -> dict[str, float]:
        """True figures over the *mean* floor: the plane the uneven floor scatters about, on which the car stands and rolls."""
        return figures_over(mean_floor(self.bay), self.bay)

    @property
    def figures_over_feet(self) -> dict[str, float]:
        """True figures over the plane through the feet of the floor boards, with whatever heights these have."""
        return figures_over(self.bay, self.bay)


def mean_floor(bay: ReferenceBay) -> ReferenceBay:
    """The same car over an even floor: all feet on the mean plane."""
    return replace(bay, lifts_mm={})


def figures_over(floor: ReferenceBay, bay: ReferenceBay) -> dict[str, float]:
    """All figures, with wheels, up and height taken from `floor`; target and floor boards stay where `bay` has them."""
    stand = bay.epoch(CHECK).stand
    if stand is None:
        raise ValueError("no stand is set up in this bay")
    frame = truth.line_frame(floor, stand, "rest")
    out = truth.alignment(floor) | frame.figures(bay.bay_from_target(CHECK))
    return out | {"thrust_direction_deg": _direction_deg(floor, bay, truth.thrust_direction(floor))}


def _direction_deg(floor: ReferenceBay, bay: ReferenceBay, direction: Array) -> float:
    """Seen from above, from the first floor board's x axis."""
    _, up = truth.floor_plane(floor)
    ahead = bay.bay_from_floor_board(bay.floor_boards[0])[:3, 0]
    ahead = ahead - up * (ahead @ up)
    return math.degrees(truth.yaw_between(ahead / np.linalg.norm(ahead), direction, up))


def read_reference(path: Path = FILE) -> dict[str, Any]:
    """The file as it stands."""
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    if document["schema"] != "reference-bay/1":
        raise ValueError(f"{path} has schema {document['schema']!r}, this program reads 'reference-bay/1'")
    return document


class Draw:
    """Numbers around a middle: from the generator, or the middle itself when there is none."""

    def __init__(self, rng: np.random.Generator | None) -> None:
        self.rng = rng

    def within(self, half: float, middle: float = 0.0) -> float:
        return middle + (float(self.rng.uniform(-half, half)) if self.rng else 0.0)

    def normal(self, sigma: float) -> float:
        return float(self.rng.normal(0.0, sigma)) if self.rng else 0.0

    def vector(self, half: float) -> Array:
        return np.array([self.within(half) for _ in range(3)])


def true_bay(
    camera: str = "1080p",
    variant: str = "a3",
    rng: np.random.Generator | None = None,
    *,
    reference: Mapping[str, Any] | None = None,
    also: Sequence[str] = (),
) -> TrueBay:
    """The reference bay, or with a generator a random one around it.

    Parameters
    ----------
    camera : str
        "1080p" or "12mp".
    variant : str
        "a3" or "a4" starter boards.
    reference : mapping, optional
        As the file, with other floor boards, photos and limits.
    also : sequence of str
        Boards for the car's body, which this bay does not have, to be used elsewhere.
    """
    ref, draw = reference or read_reference(), Draw(rng)
    boards, run_scale = _boards(variant, draw, also)
    floor = Floor(draw.within(0.006), draw.within(0.006))
    wheels = _wheels(ref, draw)
    place = draw.within(40.0), draw.within(30.0), math.radians(draw.within(0.8))
    bay = ReferenceBay(
        boards,
        floor,
        _floor_boards(ref, draw),
        wheels,
        car_on_floor(floor, *place),
        _epochs(ref, wheels, draw),
        {board.name: _bend(board, draw) for board in boards} if rng else {},
        _misprints(boards, rng.spawn(1)[0]) if rng else {},
        _tilts(ref, draw),
        _lifts(ref, draw),
        pivot_inboard_mm=TYRE_MIDDLE_MM + draw.normal(PIVOT_SIGMA_MM),
    )
    cam, imaging = _camera(ref["cameras"][camera], draw), _imaging(ref, draw)
    shots = tuple(_shots(ref, bay, draw))
    held = lens_shots(bay, cam, rng or np.random.default_rng(0), ref["imaging"]["lens_photos"])
    return TrueBay(ref, bay, cam, shots, tuple(held), imaging, variant, run_scale)


def _boards(variant: str, draw: Draw, also: Sequence[str] = ()) -> tuple[BoardSet, dict[str, Array]]:
    whole = starter_boards("a3" if variant == "a3" else "a4")
    starter = [b for b in whole if b.name in also or not b.name.startswith("body-")]
    runs = {
        run: 1.0 + np.array([draw.within(RANDOM_PRINT), draw.within(RANDOM_PRINT)]) for run in {b.print_run for b in starter}
    }

    def true(board: Board) -> Board:
        x, y = (float(s) + draw.normal(OWN_PM / 2) for s in runs[board.print_run])
        thickness = board.thickness_mm + draw.normal(board.thickness_pm_mm / 2)
        return replace(board, scale=PrintScale(x, y, 0.0, 0.0), thickness_mm=thickness)

    return BoardSet(tuple(true(board) for board in starter)), runs


def _misprints(boards: BoardSet, rng: np.random.Generator) -> dict[str, Misprint]:
    """Corners printed beside their places by the law they are believed to have, from draws of their own."""
    return {b.name: draw_misprints([b], rng, own_mm=b.print_pm_mm / 2.0, smooth_mm=0.0)[b.name] for b in boards}


def _bend(board: Board, draw: Draw) -> ModeBend:
    a, b, c = (draw.normal(board.flatness_pm_mm / 2.0 / BEND_SHARE) for _ in range(3))
    return ModeBend(0.0, 0.0, (a, b, c))


def _lifts(ref: Mapping[str, Any], draw: Draw) -> dict[str, float]:
    """Heights of the boards' feet over the mean floor: its unevenness."""
    return {row["name"]: draw.normal(ref["known"]["sigma_heave_mm"]) for row in ref["floor"]}


def _floor_boards(ref: Mapping[str, Any], draw: Draw) -> tuple[FloorBoard, ...]:
    return tuple(
        FloorBoard(
            row["name"],
            row["x_mm"] + draw.within(40.0),
            row["y_mm"] + draw.within(25.0),
            math.radians(row["turn_deg"] + draw.within(8.0)),
            math.radians(draw.normal(0.1)),
            math.radians(draw.normal(0.1)),
        )
        for row in ref["floor"]
    )


def _wheels(ref: Mapping[str, Any], draw: Draw) -> tuple[Wheel, ...]:
    car, mount = ref["car"], ref["mount"]
    base, radius = car["wheelbase_mm"] + draw.within(100.0), car["tyre_radius_mm"] + draw.within(15.0)
    half = {axle: car["track_mm"] / 2 + draw.within(20.0) for axle in ("front", "rear")}
    setback = draw.within(5.0)
    wheels = []
    for position in WHEEL_POSITIONS:
        axle, side = position.split("_")
        left = 1.0 if side == "left" else -1.0
        own = radius + draw.within(1.2)
        x = base + left * setback / 2 if axle == "front" else 0.0
        crooked = draw.rng.uniform(0.0, 5.0) if draw.rng else mount["crooked_deg"][position]
        held = Mount(
            mount["standoff_mm"] + draw.within(8.0),
            math.radians(crooked),
            math.radians(mount["towards_deg"][position] + draw.within(180.0)),
            math.radians(mount["turned_deg"][position] + draw.within(180.0)),
            (draw.within(18.0, mount["off_centre_mm"]), draw.within(18.0, -mount["off_centre_mm"])),
        )
        toe, camber = car["toe_deg"][position] + draw.within(0.2), car["camber_deg"][position] + draw.within(0.8)
        at = (x, left * half[axle], own)
        wheels.append(Wheel(position, f"wheel-{axle}-{side}", at, math.radians(toe), math.radians(camber), own, held))
    return tuple(wheels)


def _epochs(ref: Mapping[str, Any], wheels: tuple[Wheel, ...], draw: Draw) -> tuple[Epoch, ...]:
    """The car comes from behind and rolls along its thrust line; heave and tilt are those of the car's middle."""
    known, middle = ref["known"], wheels[0].reference_in_car_mm[0] / 2
    left, right = (wheel.axis_in_car() for wheel in wheels[2:])
    crab = (math.atan2(-left[0], left[1]) + math.atan2(right[0], -right[1])) / 2
    epochs = []
    for name, turn_deg in ref["roll"].items():
        if name == "rest":
            continue
        travel = wheels[0].radius_mm * math.radians(turn_deg + draw.within(8.0))
        heave, pitch, roll = (
            draw.normal(known["sigma_heave_mm"]),
            math.radians(draw.normal(known["sigma_tilt_deg"])),
            math.radians(draw.normal(known["sigma_tilt_deg"])),
        )
        slip, yaw, steer = (
            travel * math.tan(crab) + draw.normal(1.5),
            math.radians(draw.normal(0.08)),
            math.radians(draw.within(0.5)),
        )
        # pitch + lowers what lies ahead of the car's origin, which is below the rear axle
        epochs.append(Epoch(name, travel, slip, heave + pitch * middle, yaw, pitch, roll, steer))
    return (*epochs, Epoch("rest"), Epoch(CHECK, stand=_stand(ref, draw)))


def _stand(ref: Mapping[str, Any], draw: Draw) -> Stand:
    s = ref["stand"]
    boards = tuple(
        StandBoard(
            row["name"],
            row["right_mm"] + draw.within(6.0),
            row["up_mm"] + draw.within(6.0),
            math.radians(row["turn_deg"] + draw.within(2.0)),
            row["behind_mm"] + draw.within(0.3),
        )
        for row in s["boards"]
    )
    angles = (math.radians(s[f"{name}_deg"] + draw.within(0.5)) for name in ("yaw", "pitch", "roll"))
    return Stand(
        s["distance_mm"] + draw.within(60.0),
        s["lateral_mm"] + draw.within(30.0),
        s["height_mm"] + draw.within(60.0),
        *angles,
        boards,
    )


def _tilts(ref: Mapping[str, Any], draw: Draw) -> dict[str, tuple[float, float]]:
    sigma = math.radians(ref["known"]["stand_parallel_pm_deg"] / 2)
    return {row["name"]: (draw.normal(sigma), draw.normal(sigma)) for row in ref["stand"]["boards"]}


def _camera(row: Mapping[str, float], draw: Draw) -> TrueCamera:
    """Focal length, centre and distortion of another camera of the kind."""
    longer = 1.0 + draw.within(0.04)
    lens = {name: row[name] * (1.0 + draw.within(0.3)) for name in ("k1", "k2", "p1", "p2", "k3")}
    size = int(row["width_px"]), int(row["height_px"])
    centre = row["cx_px"] + draw.within(0.01 * size[0]), row["cy_px"] + draw.within(0.01 * size[0])
    return TrueCamera(*size, row["fx_px"] * longer, row["fy_px"] * longer, *centre, **lens)


def _imaging(ref: Mapping[str, Any], draw: Draw) -> Imaging:
    """Noise at full white as the file says: read and shot noise in the proportion of small sensors."""
    blur = ref["imaging"]["blur_px"] + draw.within(0.3)
    noise = ref["imaging"]["noise"] + draw.within(1.2)
    return Imaging(blur, exposure=1.0 + draw.within(0.15), read_noise=0.5 * noise, shot_noise=0.866 * noise)


def _shots(ref: Mapping[str, Any], bay: Bay, draw: Draw) -> list[Shot]:
    """Photos where the list has them; a person stands some 15 cm off, but never where the reference bay forbids it."""
    out, count = [], dict.fromkeys([*ref["roll"], CHECK], 0)
    for row in ref["photo"]:
        epoch = row["epoch"]
        count[epoch] += 1
        for _ in range(200):
            at = np.array(row["at_mm"]) + draw.vector(150.0)
            bay_from_cam = look_at(
                at, np.array(row["towards_mm"]) + draw.vector(80.0), math.radians(row["roll_deg"] + draw.within(5.0))
            )
            shot = Shot(f"{count[epoch]:02d}", epoch, row["words"], bay_from_cam)
            if not broken_rules(ref, bay, shot):
                break
        else:
            raise ValueError(f"photo {count[epoch]} of {epoch}: {broken_rules(ref, bay, shot)}")
        out.append(shot)
    return out


def broken_rules(ref: Mapping[str, Any], bay: Bay, shot: Shot) -> list[str]:
    """Which limits of the reference bay a photo's place breaks, in words."""
    rules, at = ref["cameras"], shot.bay_from_cam[:3, 3]
    out = []
    if not rules["lowest_mm"] <= at[2] <= rules["highest_mm"]:
        out.append(f"camera {at[2]:.0f} mm high")
    in_car = apply(inverse(bay.bay_from_car_in(shot.epoch)), at)
    if abs(in_car[1]) > ref["car"]["half_width_mm"] + rules["to_side_mm"] or abs(at[1]) > ref["bay"]["width_mm"] / 2:
        out.append(f"camera {abs(in_car[1]):.0f} mm beside the car's middle")
    for name, pose in bay.board_poses(shot.epoch).items():
        board = bay.boards[name]
        nearest = float(np.linalg.norm(apply(pose, np.vstack([board.corners_mm(), board.centre_mm])) - at, axis=1).min())
        if nearest < rules["nearest_board_mm"]:
            out.append(f"{name} only {nearest:.0f} mm away")
    return out
