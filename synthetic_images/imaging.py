"""What lens and sensor do to the picture: defocus, motion, vignetting, exposure, noise, Bayer mosaic; and the JPEG file."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from synthetic_images.true_camera import TrueCamera

Float32 = NDArray[np.float32]
Pixels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Imaging:
    """How one photo was taken.

    Attributes
    ----------
    blur_px : float
        Sigma of the Gaussian defocus.
    motion_px, motion_rad : float
        Length and direction of a straight camera shake (0 deg along x).
    exposure : float
        Factor on the picture; white paper well lit is about 0.84 of full scale at 1.
    vignetting : float
        Loss of light in the corners, 0 to 1, growing with the square of the distance from the centre.
    read_noise, shot_noise : float
        Sigma of the noise in units of 255: read_noise, and shot_noise at full white (growing with the root of the signal).
    mosaic : bool
        Sample through a Bayer pattern and interpolate, as colour sensors do.
    quality : int
        JPEG quality.
    """

    blur_px: float = 0.6
    motion_px: float = 0.0
    motion_rad: float = 0.0
    exposure: float = 1.15
    vignetting: float = 0.18
    read_noise: float = 1.2
    shot_noise: float = 2.0
    mosaic: bool = True
    quality: int = 94


CLEAN = Imaging(blur_px=0.0, exposure=1.0, vignetting=0.0, read_noise=0.0, shot_noise=0.0, mosaic=False, quality=100)


def expose(scene: Float32, camera: TrueCamera, imaging: Imaging, rng: np.random.Generator) -> Pixels:
    """Scene (h, w, 3), blue green red from 0 to 1, to an 8-bit picture."""
    picture = _blurred(scene, imaging)
    gain = np.float32(255.0 * imaging.exposure)
    picture = picture * (vignette(camera, imaging.vignetting)[..., None] * gain)
    if imaging.mosaic:
        flat = _noisy(_through_mosaic(picture), imaging, rng)
        return np.asarray(cv2.cvtColor(_to_bytes(flat), cv2.COLOR_BayerRG2RGB))
    return _to_bytes(_noisy(picture, imaging, rng))


def _blurred(scene: Float32, imaging: Imaging) -> Float32:
    if imaging.blur_px > 0:
        scene = np.asarray(cv2.GaussianBlur(scene, (0, 0), imaging.blur_px), dtype=np.float32)
    if imaging.motion_px > 0:
        scene = np.asarray(cv2.filter2D(scene, -1, _streak(imaging.motion_px, imaging.motion_rad)), dtype=np.float32)
    return scene


def _streak(length_px: float, angle_rad: float) -> Float32:
    """Kernel of a straight shake, centred, so that it shifts nothing."""
    half = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1))
    for t in np.linspace(-length_px / 2, length_px / 2, 16 * half + 1):
        x, y = half + t * np.cos(angle_rad), half + t * np.sin(angle_rad)
        i, j = int(np.floor(y)), int(np.floor(x))
        a, b = y - i, x - j
        kernel[i : i + 2, j : j + 2] += np.outer([1 - a, a], [1 - b, b])
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


@functools.lru_cache(maxsize=8)
def vignette(camera: TrueCamera, loss: float) -> Float32:
    """Factor (h, w): 1 in the centre, 1 - loss in the corner, falling with the square of the distance."""
    x = (np.arange(camera.width_px) - camera.cx_px) / (camera.width_px / 2)
    y = (np.arange(camera.height_px) - camera.cy_px) / (camera.height_px / 2)
    return np.asarray(1.0 - loss * (x[None, :] ** 2 + y[:, None] ** 2) / 2.0, dtype=np.float32)


def _through_mosaic(picture: Float32) -> Float32:
    """One value a pixel: red at even rows and columns, blue at odd ones, green between."""
    flat = picture[..., 1].copy()
    flat[0::2, 0::2] = picture[0::2, 0::2, 2]
    flat[1::2, 1::2] = picture[1::2, 1::2, 0]
    return flat


def _noisy(picture: Float32, imaging: Imaging, rng: np.random.Generator) -> Float32:
    if imaging.read_noise == 0 and imaging.shot_noise == 0:
        return picture
    variance = np.float32(imaging.read_noise**2) + np.float32(imaging.shot_noise**2 / 255.0) * np.maximum(picture, 0)
    return np.asarray(picture + np.sqrt(variance) * rng.standard_normal(picture.shape, dtype=np.float32), dtype=np.float32)


def _to_bytes(picture: Float32) -> Pixels:
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def exif_of(camera: TrueCamera) -> Image.Exif:
    """EXIF block with make, model and focal length."""
    exif = Image.Exif()
    exif[0x010F] = camera.make
    exif[0x0110] = camera.model
    exif.get_ifd(0x8769)[0x920A] = camera.focal_length_mm
    return exif


def write_jpeg(path: Path, image: Pixels, exif: Image.Exif | None = None, quality: int = 94) -> None:
    """Write a picture (blue green red, as OpenCV has it) as JPEG; makes the folder when it is missing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rgb = Image.fromarray(np.ascontiguousarray(image[..., ::-1]))
    rgb.save(path, format="JPEG", quality=quality, subsampling=0 if quality > 95 else 2, exif=exif or Image.Exif())
