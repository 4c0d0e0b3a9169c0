"""Camera files of others: OpenCV's FileStorage (YAML, XML) and ROS camera_info YAML. The camera only, no covariance."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import yaml

from vision.camera import Camera
from vision.errors import FileError
from vision.frames import Array
from vision.toml_io import read_text

MATRIX_KEYS = ("camera_matrix", "Camera_Matrix", "cameraMatrix", "CameraMatrix", "K", "M1", "intrinsic_matrix", "mtx")
DISTORTION_KEYS = (
    "distortion_coefficients",
    "Distortion_Coefficients",
    "distCoeffs",
    "dist_coeffs",
    "DistCoeffs",
    "distCoeff",
    "D",
    "D1",
    "dist",
)
WIDTH_KEYS = ("image_width", "image_Width", "imageWidth", "width", "Width")
HEIGHT_KEYS = ("image_height", "image_Height", "imageHeight", "height", "Height")
SIZE_KEYS = ("image_size", "imageSize", "img_size", "size")
RMS_KEYS = ("avg_reprojection_error", "Avg_Reprojection_Error", "rms", "reprojection_error")
ROS_MODELS = {"plumb_bob": 5, "rational_polynomial": 8}


@dataclass(frozen=True, slots=True, eq=False)
class ForeignCamera:
    """A camera read from somebody else's file; `rms_px` is 0 and `date` empty where the file says nothing."""

    camera: Camera
    rms_px: float = 0.0
    date: str = ""


def read_opencv(path: Path) -> ForeignCamera:
    """OpenCV FileStorage, YAML or XML, under any of the usual key names.

    Raises
    ------
    FileError
        Broken file, no camera matrix or image size, fisheye, skew, thin-prism or tilt coefficients.
    """
    text = read_text(path)
    try:
        storage = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    except (cv2.error, SystemError) as err:
        raise FileError(f"{path}: not a camera file OpenCV can read", hint="compare with a file written by OpenCV") from err
    try:
        fisheye = storage.getNode("fisheye_model")
        if not fisheye.empty() and fisheye.isInt() and int(fisheye.real()) == 1:
            raise _unsupported(path, "a fisheye lens")
        matrix = _node_matrix(storage, MATRIX_KEYS)
        distortion = _node_matrix(storage, DISTORTION_KEYS)
        width, height = _node_size(storage)
        rms = _node_number(storage, RMS_KEYS)
    finally:
        storage.release()
    if matrix is None:
        raise FileError(f"{path}: no camera matrix in this file", hint=f"it is looked for as {', '.join(MATRIX_KEYS)}")
    coefficients = np.zeros(0) if distortion is None else distortion.ravel()
    return ForeignCamera(_camera(path, matrix, coefficients, width, height), rms)


def _node_matrix(storage: cv2.FileStorage, keys: Sequence[str]) -> Array | None:
    for key in keys:
        node = storage.getNode(key)
        if not node.empty():
            value = node.mat() if node.isMap() else None
            if value is None and node.isSeq():
                value = np.array([node.at(i).real() for i in range(node.size())])
            if value is not None:
                return np.asarray(value, dtype=float)
    return None


def _node_number(storage: cv2.FileStorage, keys: Sequence[str]) -> float:
    for key in keys:
        node = storage.getNode(key)
        if not node.empty() and (node.isReal() or node.isInt()):
            return float(node.real())
    return 0.0


def _node_size(storage: cv2.FileStorage) -> tuple[int, int]:
    for key in SIZE_KEYS:
        node = storage.getNode(key)
        if not node.empty() and node.isSeq() and node.size() == 2:
            return int(node.at(0).real()), int(node.at(1).real())
    return int(_node_number(storage, WIDTH_KEYS)), int(_node_number(storage, HEIGHT_KEYS))


def read_ros(path: Path) -> ForeignCamera:
    """ROS camera_info YAML (`plumb_bob` or `rational_polynomial`, no binning, no region of interest).

    Raises
    ------
    FileError
    """
    try:
        doc = yaml.safe_load(read_text(path))
    except yaml.YAMLError as err:
        where = str(getattr(err, "problem_mark", "") or "").strip()
        raise FileError(f"{path}: not valid YAML {where}".rstrip(), hint="compare with a camera_info file") from err
    if not isinstance(doc, dict) or not {"camera_matrix", "K", "k"} & set(doc):
        raise FileError(f"{path}: neither an OpenCV nor a ROS camera file", hint="camera_matrix is missing")
    model = doc.get("distortion_model", "plumb_bob")
    if model not in ROS_MODELS:
        raise _unsupported(path, f"the distortion model {model!r}")
    if any(_whole(path, doc, key) > 1 for key in ("binning_x", "binning_y")):
        raise _unsupported(path, "binning")
    region = doc.get("roi") or {}
    if isinstance(region, dict) and any(_whole(path, region, key) for key in ("x_offset", "y_offset")):
        raise _unsupported(path, "a region of interest")
    matrix = _ros_numbers(path, doc, ("camera_matrix", "K", "k"))
    coefficients = _ros_numbers(path, doc, ("distortion_coefficients", "D", "d"))
    width, height = (_whole(path, doc, f"image_{side}") or _whole(path, doc, side) for side in ("width", "height"))
    return ForeignCamera(_camera(path, matrix, coefficients, width, height))


def _whole(path: Path, doc: dict[str, Any], key: str) -> int:
    value = doc.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int):
        raise FileError(f"{path}: {key}: must be a whole number, not {value!r}")
    return value


def _ros_numbers(path: Path, doc: dict[str, Any], keys: Sequence[str]) -> Array:
    for key in keys:
        if key in doc:
            value = doc[key]
            data = value.get("data") if isinstance(value, dict) else value
            try:
                # float() because YAML 1.1 reads 1e-05, as C++ programs write it, as a word
                return np.array([float(v) for v in data or ()])
            except (TypeError, ValueError) as err:
                raise FileError(f"{path}: {key}: must be a list of numbers") from err
    return np.zeros(0)


def _camera(path: Path, matrix: Array, distortion: Array, width: int, height: int) -> Camera:
    if matrix.size != 9 or not np.all(np.isfinite(matrix)):
        raise FileError(f"{path}: the camera matrix must have 3 x 3 numbers")
    k = matrix.reshape(3, 3)
    if width <= 0 or height <= 0:
        raise FileError(f"{path}: the image size is missing", hint=f"add the lines {WIDTH_KEYS[0]} and {HEIGHT_KEYS[0]}, in px")
    if not (k[0, 0] > 0 and k[1, 1] > 0) or np.abs(k[[1, 2, 2], [0, 0, 1]]).max() > 0 or k[2, 2] != 1.0:
        raise FileError(f"{path}: this is no camera matrix (fx 0 cx, 0 fy cy, 0 0 1)")
    if abs(k[0, 1]) > 1e-9 * k[0, 0]:
        raise _unsupported(path, f"a skew of {k[0, 1]:g}")
    if distortion.size not in (0, 4, 5, 8, 12, 14) or not np.all(np.isfinite(distortion)):
        raise FileError(f"{path}: {distortion.size} distortion coefficients; 4, 5 or 8 are expected")
    if np.any(distortion[8:] != 0.0):
        raise _unsupported(path, "thin-prism or tilt coefficients")
    return Camera(width, height, float(k[0, 0]), float(k[1, 1]), float(k[0, 2]), float(k[1, 2]), distortion[:8])


def _unsupported(path: Path, what: str) -> FileError:
    return FileError(f"{path}: {what} is not supported", hint="calibrate this camera with bayfix lens PHOTOS")


def opencv_text(camera: Camera, *, xml: bool) -> str:
    """OpenCV FileStorage text with all digits: 5 coefficients, or 8 when the rational ones are used."""
    used = 8 if np.any(camera.distortion[5:]) else 5
    storage = cv2.FileStorage(".xml" if xml else ".yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    storage.write("image_width", camera.width_px)
    storage.write("image_height", camera.height_px)
    storage.write("camera_matrix", camera.matrix)
    storage.write("distortion_coefficients", camera.distortion[:used].reshape(1, -1))
    return str(storage.releaseAndGetString())


def ros_text(camera: Camera, name: str) -> str:
    """ROS camera_info YAML of an unrectified single camera."""
    rational = bool(np.any(camera.distortion[5:]))
    coefficients = camera.distortion[: 8 if rational else 5]
    projection = np.column_stack([camera.matrix, np.zeros(3)])
    word = re.sub(r"[^A-Za-z0-9_]+", "_", name) or "camera"

    def block(key: str, matrix: Array) -> str:
        data = ", ".join(repr(float(v)) for v in matrix.ravel())
        return f"{key}:\n  rows: {matrix.shape[0]}\n  cols: {matrix.shape[1]}\n  data: [{data}]\n"

    return (
        f"image_width: {camera.width_px}\nimage_height: {camera.height_px}\ncamera_name: {word}\n"
        + block("camera_matrix", camera.matrix)
        + f"distortion_model: {'rational_polynomial' if rational else 'plumb_bob'}\n"
        + block("distortion_coefficients", coefficients.reshape(1, -1))
        + block("rectification_matrix", np.eye(3))
        + block("projection_matrix", projection)
    )
