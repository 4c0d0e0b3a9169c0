"""How far a board layout can be read and how well one photo tells its pose: the study behind the starter boards.

    python -m tests.benchmarks.board_layout [--json]

For every candidate (marked where it does not fit its papers, A4 and Letter or A3 and Tabloid) and two cameras: the
distance up to which the shortest projected side of its median square keeps the readable size, and the predicted pose sigma
(Gauss-Markov, 0.1 px per corner coordinate, lens and print scale known) of one photo at a common working distance.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from vision.boards import Board
from vision.camera import Camera
from vision.frames import Array, Pose, skew
from vision.print_layout import fitting_papers

CORNER_SIGMA_PX = 0.1
READABLE_PX = 18.0
"""Shortest projected side of a square at which 98 % of sharp markers decode (measured on renders)."""
CAMERAS = {
    "1080p": Camera(1920, 1080, 1400.0, 1400.0, 959.5, 539.5),
    "12 MP": Camera(4000, 3000, 3200.0, 3200.0, 1999.5, 1499.5),
}
MARKER_SHARE = 0.75


@dataclass(frozen=True)
class Use:
    """How a kind of board is looked at."""

    name: str
    paper: str
    tilt_deg: float
    """Angle between the line of sight and the board's normal; NaN: a floor board, seen from `eye_mm` above it."""
    working_mm: tuple[float, ...]
    layouts: tuple[tuple[int, int, float], ...]
    eye_mm: float = 1600.0


USES = (
    Use(
        "floor",
        "A4",
        math.nan,
        (2000.0, 2400.0, 4000.0),
        ((4, 3, 62), (5, 3, 52), (5, 4, 46), (5, 4, 48), (6, 4, 42), (7, 5, 36)),
    ),
    Use("wheel", "A4", 45.0, (2000.0, 2500.0), ((4, 3, 62), (5, 4, 46), (6, 4, 42), (6, 5, 37), (7, 5, 36), (9, 6, 28))),
    Use("wheel", "A3", 45.0, (2500.0, 3500.0), ((5, 4, 64), (6, 4, 62), (6, 5, 52), (7, 5, 52), (7, 5, 54), (9, 6, 43))),
    Use("lens", "A4", 35.0, (800.0, 1500.0), ((7, 5, 36), (8, 6, 30), (9, 6, 28), (9, 6, 30), (11, 7, 24))),
    Use("lens", "A3", 35.0, (1200.0, 2500.0), ((7, 5, 52), (8, 6, 43), (9, 6, 43), (11, 7, 35))),
)
PAPERS = {"A4": ("a4", "letter"), "A3": ("a3", "tabloid")}


def cam_from_board(board: Board, distance_mm: float, tilt_rad: float, roll_rad: float = 0.05) -> Pose:
    """A board straight ahead, its far edge leaning away about the image's x axis, turned a little in its own plane."""
    rotation = (Rotation.from_rotvec([-tilt_rad, 0, 0]) * Rotation.from_rotvec([0, 0, roll_rad])).as_matrix()
    return Pose.from_rt("cam", "board", rotation, np.array([0, 0, distance_mm]) - rotation @ board.centre_mm)


def median_shortest_side_px(board: Board, camera: Camera, pose: Pose) -> float:
    """Median over the inner squares of the shortest projected side, px."""
    px = camera.project(pose.apply(board.corners_mm())).reshape(board.corner_rows, board.corner_columns, 2)
    along = np.linalg.norm(np.diff(px, axis=1), axis=2)
    across = np.linalg.norm(np.diff(px, axis=0), axis=2)
    sides = [along[:-1], along[1:], across[:, :-1], across[:, 1:]]
    return float(np.median(np.min(sides, axis=0)))


def pose_sigmas(board: Board, camera: Camera, pose: Pose) -> dict[str, float]:
    """Predicted sigmas (k = 1) of one photo: worse tilt axis, turn in the plane, depth, sideways."""
    at_centre = pose @ Pose.from_rt("board", "centre", np.zeros(3), board.centre_mm)
    points = pose.apply(board.corners_mm())
    _, d_point, _ = camera.project_with_jacobians(points)
    lever = points - at_centre.translation_mm
    jac = np.concatenate([d_point @ -skew(lever), d_point], axis=2).reshape(-1, 6)
    cov = np.linalg.inv(jac.T @ jac) * CORNER_SIGMA_PX**2
    turn: Array = at_centre.rotation.T @ cov[:3, :3] @ at_centre.rotation
    return {
        "tilt_deg": math.degrees(math.sqrt(np.linalg.eigvalsh(turn[:2, :2])[-1])),
        "turn_deg": math.degrees(math.sqrt(turn[2, 2])),
        "depth_mm": math.sqrt(cov[5, 5]),
        "sideways_mm": math.sqrt(max(cov[3, 3], cov[4, 4])),
    }


def tilt_rad(use: Use, distance_mm: float) -> float:
    if math.isnan(use.tilt_deg):
        return math.acos(min(use.eye_mm / distance_mm, math.cos(0.01)))
    return math.radians(use.tilt_deg)


def reach_mm(use: Use, board: Board, camera: Camera, readable_px: float) -> float:
    """Largest distance at which the board can be read, mm."""

    def spare_px(distance_mm: float) -> float:
        pose = cam_from_board(board, distance_mm, tilt_rad(use, distance_mm))
        return median_shortest_side_px(board, camera, pose) - readable_px

    return float(brentq(spare_px, 500.0, 30000.0, xtol=1.0))


def fits(board: Board, paper: str) -> bool:
    """Whether the pattern leaves room for margins and check bars on both papers of the size."""
    return set(PAPERS[paper]) <= set(fitting_papers(board))


def study(use: Use) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for columns, rows_of_squares, square_mm in use.layouts:
        board = Board("study", columns, rows_of_squares, square_mm, square_mm * MARKER_SHARE, "DICT_APRILTAG_36h11")
        for camera_name, camera in CAMERAS.items():
            at = []
            for distance_mm in use.working_mm:
                pose = cam_from_board(board, distance_mm, tilt_rad(use, distance_mm))
                side_px = median_shortest_side_px(board, camera, pose)
                at.append({"distance_mm": distance_mm, "side_px": side_px, **pose_sigmas(board, camera, pose)})
            rows.append(
                {
                    "use": use.name,
                    "paper": use.paper,
                    "layout": f"{columns}x{rows_of_squares} of {square_mm:g}",
                    "fits": fits(board, use.paper),
                    "corners": board.corner_count,
                    "camera": camera_name,
                    "reach_mm": reach_mm(use, board, camera, READABLE_PX),
                    "at": at,
                }
            )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--json", action="store_true", help="print the table as JSON")
    wanted = parser.parse_args()
    table = [row for use in USES for row in study(use)]
    if wanted.json:
        print(json.dumps({"readable_px": READABLE_PX, "corner_sigma_px": CORNER_SIGMA_PX, "layouts": table}, indent=2))
        return
    print(
        f"readable: shortest side of the median square >= {READABLE_PX:g} px; sigmas k = 1 at {CORNER_SIGMA_PX} px per corner"
    )
    for row in table:
        fit = "" if row["fits"] else "  (does not fit)"
        print(
            f"{row['use']} {row['paper']} {row['layout']:>10} {row['corners']:>3} corners {row['camera']}: "
            f"reach {row['reach_mm']:.0f} mm{fit}"
        )
        for at in row["at"]:  # type: ignore[attr-defined]
            print(
                "      at {distance_mm:.0f} mm: side {side_px:4.1f} px, tilt {tilt_deg:.3f} deg, turn {turn_deg:.4f} deg, "
                "depth {depth_mm:.2f} mm, sideways {sideways_mm:.3f} mm".format(**at)
            )


if __name__ == "__main__":
    main()
