"""A board photographed by an independent ray tracer (mitsuba, `reference` extra): textures, camera and light are not ours."""

from __future__ import annotations

from types import ModuleType

import cv2
import numpy as np

from vision.boards import Board
from vision.camera import Camera, project_arrays
from vision.frames import Array, Pose

TEXTURE_PX = 160
PAPER, INK = 0.8, 0.05


def ray_traced(mi: ModuleType, board: Board, pose: Pose, camera: Camera, *, samples: int, seed: int) -> np.ndarray:
    """Photo (height, width) of one board, uint8: lit from all around and by a lamp at one side, tone curve of sRGB, noise 1.5.

    Parameters
    ----------
    mi : module
        `mitsuba` with a variant set.
    pose : Pose
        `cam_from_board`.
    camera : Camera
        Without distortion, principal point in the middle.
    samples : int
        Rays per pixel, spread by a Gaussian filter of 0.6 px.
    """
    texture, margin_mm = _texture(board)
    width_mm, height_mm = board.size_mm
    scale = np.diag([width_mm / 2 + margin_mm, height_mm / 2 + margin_mm, 1.0, 1.0])
    scale[:3, 3] = board.centre_mm
    to_cam = np.eye(4)
    to_cam[:3, :3], to_cam[:3, 3] = pose.rotation, pose.translation_mm
    paper = {
        "type": "diffuse",
        "reflectance": {"type": "bitmap", "bitmap": mi.Bitmap(texture), "raw": True, "wrap_mode": "clamp"},
    }
    lamp_at = mi.ScalarTransform4f().look_at(origin=[700.0, -900.0, -400.0], target=[0.0, 0.0, 800.0], up=[0, 1, 0])
    scene = mi.load_dict(
        {
            "type": "scene",
            "sky": {"type": "constant", "radiance": 0.35},
            "lamp": {
                "type": "rectangle",
                "to_world": lamp_at @ mi.ScalarTransform4f().scale([150.0, 400.0, 1.0]),
                "emitter": {"type": "area", "radiance": 6.0},
            },
            "board": {
                "type": "rectangle",
                "to_world": mi.ScalarTransform4f((to_cam @ scale).tolist()),
                "bsdf": {"type": "twosided", "paper": paper},
            },
        }
    )
    sensor = _sensor(mi, camera, samples)
    light = np.array(mi.render(scene, sensor=sensor, integrator=mi.load_dict({"type": "direct"}), seed=seed))[..., 1]
    light = np.clip(light / np.percentile(light, 99.5), 0.0, 1.0)
    grey = 255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    noisy = grey + np.random.default_rng(seed).normal(0.0, 1.5, grey.shape)
    return np.asarray(np.clip(np.rint(0.9 * noisy), 0, 255), dtype=np.uint8)


def true_corners(board: Board, pose: Pose, camera: Camera) -> Array:
    return np.asarray(project_arrays(pose.apply(board.corners_mm()), camera.parameters, jacobians=False)[0], dtype=float)


def _sensor(mi: ModuleType, camera: Camera, samples: int) -> object:
    # that camera looks along +z with x to the left and y up: half a turn about z
    half_turn = mi.ScalarTransform4f(np.diag([-1.0, -1.0, 1.0, 1.0]).tolist())
    film = {
        "type": "hdrfilm",
        "width": camera.width_px,
        "height": camera.height_px,
        "rfilter": {"type": "gaussian", "stddev": 0.6},
        "pixel_format": "rgb",
    }
    return mi.load_dict(
        {
            "type": "perspective",
            "fov_axis": "x",
            "fov": float(np.degrees(2 * np.arctan(camera.width_px / 2 / camera.fx_px))),
            "near_clip": 10.0,
            "far_clip": 1e5,
            "to_world": half_turn,
            "film": film,
            "sampler": {"type": "multijitter", "sample_count": samples},
        }
    )


def _texture(board: Board) -> tuple[np.ndarray, float]:
    """OpenCV's own drawing of the board as reflectance (h, w, 1), and its margin in mm."""
    size = (board.columns * TEXTURE_PX, board.rows * TEXTURE_PX)
    rim = TEXTURE_PX // 4
    drawn = cv2.copyMakeBorder(
        np.asarray(board.cv_board().generateImage(size, None, 0, 1)), rim, rim, rim, rim, cv2.BORDER_CONSTANT, value=255
    )
    reflectance = np.where(drawn > 127, PAPER, INK).astype(np.float32)
    return np.ascontiguousarray(reflectance[..., None]), rim / TEXTURE_PX * board.square_mm
