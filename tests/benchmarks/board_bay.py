"""What board layouts are worth in a whole bay: connected or not, and the predicted sigma of what a job wants to know.

    python -m tests.benchmarks.board_bay [--json]

A car of 4.5 m with a wheel board on each wheel, sixteen floor boards, a stand with two boards 3.5 m ahead of the front axle; 60
photos around them at chest and at raised-arm height. A board counts in a photo where it is wholly in the picture, not behind
the car, tilted by less than 68 degrees and its median square keeps the readable size. Floor boards that no photo ties to the
wheels are left out. One epoch, lens and print scale known,
0.1 px per corner coordinate: Gauss-Markov prediction, free network. Compares layouts; the absolute numbers leave out what the
budget of a real job adds.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.benchmarks.board_layout import CAMERAS, CORNER_SIGMA_PX, MARKER_SHARE, median_shortest_side_px
from vision.boards import Board
from vision.camera import Camera
from vision.frames import Array, Pose, skew

Layout = tuple[int, int, float]
WHEEL_LAYOUTS: dict[str, Layout] = {
    "A4 7x5 of 36": (7, 5, 36.0),
    "A4 6x4 of 42": (6, 4, 42.0),
    "A4 5x4 of 46": (5, 4, 46.0),
    "A3 7x5 of 52": (7, 5, 52.0),
    "A3 6x4 of 60": (6, 4, 60.0),
}
FLOOR_LAYOUTS: dict[str, Layout] = {
    "7x5 of 36": (7, 5, 36.0),
    "6x4 of 42": (6, 4, 42.0),
    "5x4 of 46": (5, 4, 46.0),
    "4x3 of 60": (4, 3, 60.0),
}
RUNS = (("1080p", 18.0), ("1080p", 22.0), ("12 MP", 22.0))
CHOSEN_FLOOR = "5x4 of 46"
STEEPEST_DEG = 68.0
CAR_MM = (np.array([-900.0, -850.0, 150.0]), np.array([3600.0, 850.0, 1450.0]))
X, Y, Z = np.eye(3)


@dataclass(frozen=True, eq=False)
class Placed:
    """A board and `bay_from_board`."""

    board: Board
    pose: Pose

    @property
    def centre_mm(self) -> Array:
        return self.pose.apply(self.board.centre_mm)


@dataclass(frozen=True, eq=False)
class Seen:
    photo: int
    board: int
    in_cam_mm: Array
    d_point: Array


def bay(wheel: Layout, floor: Layout) -> list[Placed]:
    """Rear wheels at x = 0, front wheels at 2700 mm, y to the car's left, z up; the stand faces the car."""

    def placed(name: str, layout: Layout, right: Array, down: Array, at_mm: tuple[float, float, float]) -> Placed:
        board = Board(name, *layout, layout[2] * MARKER_SHARE, "DICT_APRILTAG_36h11")
        turn = np.column_stack([right, down, np.cross(right, down)])
        return Placed(board, Pose.from_rt("bay", "board", turn, np.array(at_mm) - turn @ board.centre_mm))

    out = [
        placed(f"{axle}-{side}", wheel, -X * sign, -Z, (x, 900.0 * sign, 330.0))
        for axle, x in (("rear", 0.0), ("front", 2700.0))
        for side, sign in (("left", 1), ("right", -1))
    ]
    out += [placed(f"stand-{i}", wheel, -Y, -Z, (6200.0, y, 1200.0)) for i, y in enumerate((250.0, -250.0))]
    beside = [(x, 1500.0 * s) for x in (-500.0, 900.0, 1900.0, 3400.0) for s in (1, -1)]
    ahead = [(x, y * s) for x, y in ((3900.0, 500.0), (4400.0, 1300.0), (5200.0, 700.0), (5900.0, 1300.0)) for s in (1, -1)]
    rng = np.random.default_rng(1)
    for i, (x, y) in enumerate(beside + ahead):
        angle = rng.uniform(0, 2 * math.pi)
        right = math.cos(angle) * X + math.sin(angle) * Y
        out.append(placed(f"floor-{i}", floor, right, np.cross(-Z, right), (x, y, 3.0)))
    return out


def shots() -> list[Pose]:
    """`cam_from_bay` of 60 photos: along both sides, around the corners, in front, towards the stand."""
    rng, out = np.random.default_rng(5), []
    for s in (1, -1):
        for x in np.linspace(-1000, 3600, 8):
            for height, ahead in ((1200.0, -400.0), (1750.0, 400.0)):
                out.append(_looking((x, 2300.0 * s, height), (x + ahead, 1150.0 * s, 150.0), rng))
        for ex, ey, ez, ax, ay, az in (
            (3900, 1700, 1700, 3600, 700, 0), (4600, 1600, 1700, 3700, 800, 0), (3300, 2200, 1700, 3800, 900, 0),
            (4900, 900, 1750, 4100, 200, 0), (4200, 100, 1750, 4700, 900, 0), (5300, 1800, 1700, 4600, 900, 0),
            (5600, 600, 1750, 4600, 0, 0), (4600, 300, 1700, 5700, 500, 0), (5000, 1900, 1700, 5800, 600, 200),
            (4700, 1200, 1400, 6150, 100, 900), (5100, 200, 1300, 6150, 0, 900), (5200, 1500, 1500, 6100, 200, 600),
            (-1500, 1900, 1700, -400, 1100, 150), (-1000, 2200, 1500, 100, 1000, 250),
        ):  # fmt: skip
            out.append(_looking((ex, ey * s, ez), (ax, ay * s, az), rng))
    return out


def _looking(eye_mm: Sequence[float], aim_mm: Sequence[float], rng: np.random.Generator) -> Pose:
    eye = np.array(eye_mm, dtype=float) + rng.normal(0, 60, 3)
    z = np.array(aim_mm, dtype=float) - eye
    z /= np.linalg.norm(z)
    x = np.cross(z, Z)
    x /= np.linalg.norm(x)
    rotation = np.array([x, np.cross(z, x), z])
    return Pose.from_rt("cam", "bay", rotation, -rotation @ eye)


def behind_car(eye_mm: Array, point_mm: Array) -> bool:
    """Whether the car's box cuts the line of sight (slab test)."""
    way = np.where(np.abs(point_mm - eye_mm) < 1e-9, 1e-9, point_mm - eye_mm)
    a, b = (CAR_MM[0] - eye_mm) / way, (CAR_MM[1] - eye_mm) / way
    enters, leaves = np.minimum(a, b).max(), np.maximum(a, b).min()
    return bool(enters < leaves and leaves > 0 and enters < 1)


def sightings(placed: list[Placed], photos: list[Pose], camera: Camera, readable_px: float) -> list[Seen]:
    out = []
    for k, cam_from_bay in enumerate(photos):
        eye = cam_from_bay.inverse().translation_mm
        for i, item in enumerate(placed):
            sight = eye - item.centre_mm
            facing = -(sight @ item.pose.rotation[:, 2]) / np.linalg.norm(sight)
            if facing < math.cos(math.radians(STEEPEST_DEG)) or behind_car(eye, item.centre_mm):
                continue
            cam_from_board = cam_from_bay @ item.pose
            points = cam_from_board.apply(item.board.corners_mm())
            if points[:, 2].min() < 200:
                continue
            px, d_point, _ = camera.project_with_jacobians(points)
            inside = px.min() >= 0 and px[:, 0].max() < camera.width_px and px[:, 1].max() < camera.height_px
            if inside and median_shortest_side_px(item.board, camera, cam_from_board) >= readable_px:
                out.append(Seen(k, i, points, d_point))
    return out


def parts(seen: list[Seen], boards: int) -> list[list[int]]:
    """Boards that photos tie together, the largest part first."""
    root = {("board", i): ("board", i) for i in range(boards)}

    def find(node: tuple[str, int]) -> tuple[str, int]:
        root.setdefault(node, node)
        while root[node] != node:
            node = root[node]
        return node

    for sight in seen:
        root[find(("photo", sight.photo))] = find(("board", sight.board))
    homes = [find(("board", i)) for i in range(boards)]
    return sorted(([i for i in range(boards) if homes[i] == home] for home in set(homes)), key=len, reverse=True)


def covariance(placed: list[Placed], photos: list[Pose], seen: list[Seen]) -> Array:
    """Covariance of all board perturbations about their centres (rad, mm, bay axes), shape (6 n, 6 n), free network."""
    n, m = len(placed), len(photos)
    normal = np.zeros((6 * (n + m), 6 * (n + m)))
    for sight in seen:
        cam_from_bay, item = photos[sight.photo], placed[sight.board]
        in_bay = cam_from_bay.inverse().apply(sight.in_cam_mm)
        by_photo = np.concatenate([sight.d_point @ -skew(sight.in_cam_mm), sight.d_point], axis=2).reshape(-1, 6)
        by_axes = sight.d_point @ cam_from_bay.rotation
        by_board = np.concatenate([by_axes @ -skew(in_bay - item.centre_mm), by_axes], axis=2).reshape(-1, 6)
        jac = np.concatenate([by_board, by_photo], axis=1)
        rows = np.r_[6 * sight.board : 6 * sight.board + 6, 6 * (n + sight.photo) : 6 * (n + sight.photo) + 6]
        normal[np.ix_(rows, rows)] += jac.T @ jac
    scale = np.tile([1e3] * 3 + [1.0] * 3, n + m)
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-13, hermitian=True)
    return (inverse / np.outer(scale, scale))[: 6 * n, : 6 * n] * CORNER_SIGMA_PX**2


def figures(placed: list[Placed], delta: Array) -> Array:
    """Thrust angle deg, total toe deg, distance mm, lateral mm, stand yaw deg: of the boards moved by `delta`."""
    at: dict[str, Array] = {}
    into: dict[str, Array] = {}
    for i, item in enumerate(placed):
        turn, shift = delta[6 * i : 6 * i + 3], delta[6 * i + 3 : 6 * i + 6]
        at[item.board.name] = item.centre_mm + shift
        into[item.board.name] = item.pose.rotation[:, 2] + np.cross(turn, item.pose.rotation[:, 2])
    floor = np.array([point for name, point in at.items() if name.startswith("floor")])
    up = np.linalg.svd(floor - floor.mean(axis=0))[2][2]
    up = up * np.sign(up[2])
    rear, front = (at["rear-left"] + at["rear-right"]) / 2, (at["front-left"] + at["front-right"]) / 2
    forward = front - rear - ((front - rear) @ up) * up
    forward /= np.linalg.norm(forward)
    left = np.cross(up, forward)
    out_left, out_right = -into["rear-left"], -into["rear-right"]
    yaw_left = math.atan2(-(out_left @ forward), out_left @ left)
    yaw_right = math.atan2(out_right @ forward, -(out_right @ left))
    target, facing = (at["stand-0"] + at["stand-1"]) / 2 - rear, into["stand-0"] + into["stand-1"]
    yaw = math.atan2(facing @ left, facing @ forward)
    angles = np.degrees([(yaw_left + yaw_right) / 2, yaw_right - yaw_left, yaw])
    return np.array([angles[0], angles[1], target @ forward, target @ left, angles[2]])


FIGURES = ("thrust_deg", "toe_deg", "distance_mm", "lateral_mm", "yaw_deg")


def predict(wheel: str, floor: str, camera_name: str, readable_px: float) -> dict[str, object]:
    placed, photos = bay(WHEEL_LAYOUTS[wheel], FLOOR_LAYOUTS[floor]), shots()
    seen = sightings(placed, photos, CAMERAS[camera_name], readable_px)
    tied = parts(seen, len(placed))
    kept = [placed[i] for i in tied[0]]
    row: dict[str, object] = {
        "camera": camera_name, "readable_px": readable_px, "wheel": wheel, "floor": floor,
        "sightings": len(seen), "parts": [len(part) for part in tied], "sigma": None,
    }  # fmt: skip
    if sum(not item.board.name.startswith("floor") for item in kept) == 6:
        seen = [replace(sight, board=tied[0].index(sight.board)) for sight in seen if sight.board in tied[0]]
        cov = covariance(kept, photos, seen)
        steps = np.tile([1e-6] * 3 + [1e-3] * 3, len(kept))
        columns = [(figures(kept, d) - figures(kept, -d)) / (2 * d.max()) for d in np.diag(steps)]
        jac = np.column_stack(columns)
        row["sigma"] = dict(zip(FIGURES, np.sqrt(np.diag(jac @ cov @ jac.T)).tolist(), strict=True))
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--json", action="store_true", help="print the table as JSON")
    wanted = parser.parse_args()
    pairs = [(wheel, CHOSEN_FLOOR) for wheel in WHEEL_LAYOUTS]
    pairs += [("A4 6x4 of 42", floor) for floor in FLOOR_LAYOUTS if floor != CHOSEN_FLOOR]
    table = [predict(*pair, camera, readable) for camera, readable in RUNS for pair in pairs]
    if wanted.json:
        print(json.dumps(table, indent=2))
        return
    for row in table:
        head = f"{row['camera']:>6} readable {row['readable_px']:.0f} px  wheel {row['wheel']}  floor {row['floor']}"
        sigma = row["sigma"]
        words = "  ".join(f"{k} {v:.3f}" for k, v in sigma.items()) if isinstance(sigma, dict) else "wheels and stand not tied"
        print(f"{head}  {row['sightings']:>3} sightings, parts {row['parts']}: {words}")


if __name__ == "__main__":
    main()
