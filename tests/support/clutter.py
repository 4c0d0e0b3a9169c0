"""Pictures without a board that try to look like one: textures, checker floors, code-like patches, grids of tiles."""

from __future__ import annotations

import cv2
import numpy as np

KINDS = ("texture", "checker", "codes", "tiles", "stripes", "natural", "grid", "screen")


def clutter(kind: str, seed: int, width_px: int = 1280, height_px: int = 720) -> np.ndarray:
    """A grey picture, uint8 (height, width), with noise and some blur."""
    rng = np.random.default_rng(seed)
    picture = _MAKERS[kind](rng, width_px, height_px)
    picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.2)) + rng.normal(0.0, rng.uniform(1.0, 4.0), picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def _texture(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    out = np.full((h, w), 128.0)
    for sigma in (0.8, 2.0, 6.0, 20.0):
        grain = cv2.GaussianBlur(rng.normal(0, 1, (h, w)), (0, 0), sigma)
        out += grain / grain.std() * rng.uniform(5, 35)
    return out


def _warped(rng: np.random.Generator, flat: np.ndarray, w: int, h: int) -> np.ndarray:
    fh, fw = flat.shape
    corners = np.array([[0, 0], [fw, 0], [fw, fh], [0, fh]], dtype=np.float32)
    frame = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
    moved = (frame + rng.uniform(-0.3, 0.3, (4, 2)) * [w, h]).astype(np.float32)
    return np.asarray(
        cv2.warpPerspective(flat, cv2.getPerspectiveTransform(corners, moved), (w, h), flags=cv2.INTER_AREA, borderValue=90.0)
    )


def _checker(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    n = int(rng.integers(8, 40))
    flat = np.kron(np.indices((n, n)).sum(axis=0) % 2, np.ones((24, 24))) * rng.uniform(80, 180) + 40.0
    return _warped(rng, flat, w, h)


def _codes(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    """Random cells with black borders on a checker: like a board, but of no dictionary."""
    n, cell = int(rng.integers(6, 16)), 4
    flat = np.kron(np.indices((n, n)).sum(axis=0) % 2, np.ones((11, 11)))
    for r in range(n):
        for c in range(n):
            if (r + c) % 2:
                bits = np.zeros((8, 8))
                bits[1:7, 1:7] = rng.integers(0, 2, (6, 6))
                flat[r * 11 + 1 : r * 11 + 9, c * 11 + 1 : c * 11 + 9] = bits
    return _warped(rng, np.kron(flat, np.ones((cell, cell))) * 170.0 + 40.0, w, h)


def _tiles(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    n = int(rng.integers(6, 30))
    flat = np.kron(rng.uniform(20, 220, (n, n)), np.ones((28, 28)))
    flat[::28] = flat[:, ::28] = 230.0
    return _warped(rng, flat, w, h)


def _stripes(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    y, x = np.mgrid[0:h, 0:w]
    period, angle = rng.uniform(8, 60), rng.uniform(0, np.pi)
    across = (x * np.cos(angle) + y * np.sin(angle)) / period
    return 60.0 + 130.0 * ((across % 1.0) < 0.5) + 0.05 * x


def _natural(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    """Amplitudes falling with frequency as in pictures of nature (Field 1987), with dark blots and straight edges."""
    fy, fx = np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None, :]
    phase = np.exp(2j * np.pi * rng.random((h, w // 2 + 1)))
    out = np.fft.irfft2(phase / np.maximum(np.hypot(fx, fy), 1.0 / max(w, h)) ** rng.uniform(0.8, 1.3), s=(h, w))
    out = 120.0 + 40.0 * (out - out.mean()) / out.std()
    for _ in range(int(rng.integers(5, 40))):
        at, size = rng.uniform(0, [w, h]), rng.uniform(5, 120, 2)
        box = cv2.boxPoints((tuple(at), tuple(size), rng.uniform(0, 180))).astype(np.int32)
        cv2.fillConvexPoly(out, box, float(rng.uniform(10, 240)))
    return np.asarray(out)


def _grid(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    """Lines at right angles, as on squared paper, gratings and perforated sheet (with round holes)."""
    pitch, n = int(rng.integers(16, 48)), int(rng.integers(12, 40))
    flat = np.full((n * pitch, n * pitch), 220.0)
    thick = max(1, int(pitch * rng.uniform(0.08, 0.5)))
    if rng.random() < 0.5:
        for k in range(n):
            flat[k * pitch : k * pitch + thick], flat[:, k * pitch : k * pitch + thick] = 40.0, 40.0
    else:
        for r in range(n):
            for c in range(n):
                cv2.circle(flat, (c * pitch + pitch // 2, r * pitch + pitch // 2), thick, 30.0, -1)
    return _warped(rng, flat, w, h)


def _screen(rng: np.random.Generator, w: int, h: int) -> np.ndarray:
    """A monitor with windows, tables and lines of text, seen so that its pixels beat with the camera's."""
    flat = np.full((360, 640), 235, dtype=np.uint8)
    for _ in range(int(rng.integers(2, 6))):
        x, y, bw, bh = (int(v) for v in rng.integers((0, 0, 120, 80), (420, 240, 300, 200)))
        cv2.rectangle(flat, (x, y), (x + bw, y + bh), float(rng.uniform(150, 255)), -1)
        cv2.rectangle(flat, (x, y), (x + bw, y + 14), float(rng.uniform(20, 120)), -1)
        for row in range(y + 28, y + bh, 14):
            text = "".join(chr(int(c)) for c in rng.integers(33, 126, max(bw // 9, 1)))
            cv2.putText(flat, text, (x + 4, row), cv2.FONT_HERSHEY_PLAIN, 0.7, 20.0, 1)
    big = np.kron(flat.astype(float), np.ones((3, 3)))
    big[::3], big[:, ::3] = big[::3] * 0.6, big[:, ::3] * 0.6
    return _warped(rng, big, w, h)


_MAKERS = {
    "texture": _texture,
    "checker": _checker,
    "codes": _codes,
    "tiles": _tiles,
    "stripes": _stripes,
    "natural": _natural,
    "grid": _grid,
    "screen": _screen,
}
