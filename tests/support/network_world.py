"""A small world of boards and photos for tests of the network: corners from `cv2.projectPoints`, noise drawn here.

Knows no car: boards on a floor, some standing, photos walking round. The truth is drawn, not computed by the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from vision.boards import Board, BoardSet, PrintScale
from vision.camera import Camera, LensProfile, Wobble
from vision.frames import Pose
from vision.observations import BodySighting, View
from vision.sightings import Sighting

CAMERA = Camera(1920, 1080, 1400.0, 1402.0, 955.0, 545.0, np.array([-0.12, 0.08, 0.0005, -0.0003, 0.0]))


@dataclass(frozen=True)
class World:
    """The truth; `printed_mm` are a board's corners minus where the scaled pattern has them, (n, 2)."""

    boards: BoardSet
    camera: Camera
    world_from_body: dict[str, Pose]
    cam_from_world: dict[str, Pose]
    scale: dict[str, tuple[float, float]]
    printed_mm: dict[str, np.ndarray] = field(default_factory=dict)


def small_boards(
    count: int, *, flatness_mm: float = 0.5, common_pm: float = 0.0007, own_pm: float = 0.0002, print_mm: float = 0.0
) -> BoardSet:
    return BoardSet(
        tuple(
            Board(
                f"b{i}",
                7,
                5,
                36.0,
                27.0,
                "DICT_APRILTAG_36h11",
                17 * i,
                flatness_pm_mm=flatness_mm,
                print_pm_mm=print_mm,
                scale=PrintScale(1.0, 1.0, common_pm, own_pm),
            )
            for i in range(count)
        )
    )


def ring_world(
    seed: int, *, boards: int = 8, photos: int = 14, camera: Camera = CAMERA, board_set: BoardSet | None = None
) -> World:
    """Boards within a 3 x 2 m patch, every second one standing; photos from a ring around and above it."""
    rng = np.random.default_rng(seed)
    board_set = board_set or small_boards(boards)
    bodies = {}
    for i, board in enumerate(board_set):
        place = np.array([(i % 4) * 900.0 - 1350.0, (i // 4) * 1100.0 - 550.0, 0.0]) + rng.normal(0, 60, 3) * [1, 1, 0.2]
        turn = rng.normal(0, 0.25, 3)
        if i % 2:
            place[2] = 350.0
            turn = turn + np.array([1.2, 0.3, 0.0])
        # z into the board: a board lying on the floor has its z pointing down.
        down = Pose.from_rt("a", "b", [np.pi - 0.01, 0.0, 0.0], [0, 0, 0]).rotation
        lean = Pose.from_rt("a", "b", turn, [0, 0, 0]).rotation
        bodies[board.name] = Pose.from_rt("world", board.name, lean @ down, place)
    cams = {}
    for k in range(photos):
        angle = 2 * np.pi * k / photos + rng.normal(0, 0.1)
        eye = np.array([2900 * np.cos(angle), 2500 * np.sin(angle), rng.uniform(900, 2000)])
        look = np.array([rng.normal(0, 250), rng.normal(0, 250), 100.0])
        cams[f"p{k:02d}.jpg"] = look_at(eye, look, roll_rad=rng.normal(0, 0.4))
    return World(board_set, camera, bodies, cams, {board.name: (1.0, 1.0) for board in board_set})


def misprinted(world: World, sigma_mm: float, seed: int) -> World:
    """The world with every corner printed beside its place by a normal error along x and along y."""
    rng = np.random.default_rng(seed)
    return replace(world, printed_mm={b.name: rng.normal(0.0, sigma_mm, (b.corner_count, 2)) for b in world.boards})


def look_at(eye: np.ndarray, look: np.ndarray, roll_rad: float = 0.0) -> Pose:
    """`cam_from_world` of a camera at `eye` looking at `look`, mm."""
    forward = (look - eye) / np.linalg.norm(look - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    rows = np.array([right, np.cross(forward, right), forward])
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    rows = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ rows
    return Pose.from_rt("cam", "world", rows, -rows @ eye)


def views_of(
    world: World,
    *,
    noise_px: float = 0.1,
    seed: int = 0,
    said_px: float | None = None,
    lens: str = "cam",
    wobble: Wobble | None = None,
) -> list[View]:
    """Views with every corner inside the frame of every board that faces the camera, with normal noise.

    With `wobble` every photo has its own focal length and principal point, drawn around the camera's.
    """
    rng = np.random.default_rng(seed)
    said = noise_px if said_px is None else said_px
    views = []
    for photo, cam_from_world in world.cam_from_world.items():
        seen = []
        shifted = world.camera.parameters
        if wobble:
            shifted[:2] *= 1.0 + rng.normal(0.0, wobble.focal_percent / 100.0)
            shifted[2:4] += rng.normal(0.0, wobble.centre_px, 2)
        camera = world.camera.with_parameters(shifted)
        for board in world.boards:
            cam_from_board = cam_from_world @ world.world_from_body[board.name]
            corners = board.corners_mm() * [*world.scale[board.name], 1.0]
            corners[:, :2] += world.printed_mm.get(board.name, 0.0)
            in_cam = cam_from_board.apply(corners)
            into = cam_from_board.rotation[:, 2]
            ray = in_cam.mean(axis=0) / np.linalg.norm(in_cam.mean(axis=0))
            if in_cam[:, 2].min() < 300 or into @ ray < 0.3:
                continue
            px = cv2.projectPoints(np.ascontiguousarray(in_cam), np.zeros(3), np.zeros(3), camera.matrix, camera.distortion)[0][
                :, 0
            ]
            inside = ((px > 5) & (px < [world.camera.width_px - 5, world.camera.height_px - 5])).all(axis=1)
            if inside.sum() < 6:
                continue
            ids = np.flatnonzero(inside)
            px = px[ids] + rng.normal(0, noise_px, (len(ids), 2)) if noise_px else px[ids]
            cov = np.tile(np.eye(2) * (said or 0.1) ** 2, (len(ids), 1, 1))
            seen.append(BodySighting(board.name, Sighting(board.name, ids, px, cov)))
        views.append(View(photo, lens, tuple(seen)))
    return views


def lens_profile(camera: Camera = CAMERA, *, sigma: float = 0.0, wobble: Wobble | None = None) -> LensProfile:
    """A profile whose parameters have plausible standard deviations times `sigma` (0: the lens is held)."""
    deviations = np.array([1.0, 1.0, 1.0, 1.0, 2e-3, 4e-3, 2e-4, 2e-4, 0, 0, 0, 0]) * sigma
    return LensProfile("cam", camera, np.diag(deviations**2), wobble=wobble or Wobble())
