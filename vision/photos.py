"""Photos from files: pixels unturned, EXIF, the side file of a webcam picture; every unusable file is named with the reason."""

from __future__ import annotations

import re
import tomllib
import warnings
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from vision.errors import FileError, PhotoError
from vision.toml_io import read_text

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp")
HEIC_SUFFIXES = (".heic", ".heif", ".hif")
CAPTURE_SCHEMA = "capture/1"
HEIC_HINT = (
    'set the phone to JPEG (in its camera settings: format "Most Compatible", or "high efficiency pictures" off) '
    "and take the photos again, or export the originals as JPEG at full size"
)
ORIGINAL_HINT = "copy the original file from the camera (cable, memory card or file transfer, not a messenger or a screenshot)"


@dataclass(frozen=True, slots=True)
class PhotoMeta:
    """What the file says about its making; empty or zero where it says nothing.

    Attributes
    ----------
    make, model : str
        EXIF camera make and model.
    focal_length_mm : float
    orientation : int
        EXIF orientation 1..8 (0: not stated). The pixels are *not* turned by it.
    device, mode : str
        Capture device and mode of a webcam picture (side file).
    software : str
    digital_zoom : float
        EXIF digital zoom ratio; 0 when not stated.
    exif_size_px : tuple of int
        Width and height the camera wrote into EXIF; (0, 0) when not stated.
    """

    make: str = ""
    model: str = ""
    focal_length_mm: float = 0.0
    orientation: int = 0
    device: str = ""
    mode: str = ""
    software: str = ""
    digital_zoom: float = 0.0
    exif_size_px: tuple[int, int] = (0, 0)

    @property
    def names_camera(self) -> bool:
        return bool(self.make or self.model)


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One photo as the sensor delivered it.

    Attributes
    ----------
    name : str
        File name, used in messages.
    gray : ndarray of uint8, shape (height, width)
    meta : PhotoMeta
    """

    name: str
    gray: NDArray[np.uint8]
    meta: PhotoMeta = field(default_factory=PhotoMeta)

    @property
    def width_px(self) -> int:
        return int(self.gray.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.gray.shape[0])

    @property
    def resized(self) -> bool:
        """The pixels are not those the camera wrote: EXIF names another size (in either orientation)."""
        stated = sorted(self.meta.exif_size_px)
        return stated[0] > 0 and stated != sorted((self.width_px, self.height_px))


def list_photos(folder: Path) -> list[Path]:
    """Picture files of a folder (not of its subfolders) in natural order: IMG_2 before IMG_10.

    Raises
    ------
    PhotoError
        No such folder, no picture in it, or HEIC files that would be left out silently.
    """
    if not folder.exists():
        raise PhotoError(f"{folder}: no such folder", hint="check the name of the photo folder")
    if not folder.is_dir():
        raise PhotoError(f"{folder}: is a file, a folder of photos is wanted", hint=f"give {folder.parent} instead")
    files = [path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
    heic = sorted(path.name for path in files if path.suffix.lower() in HEIC_SUFFIXES)
    if heic:
        raise PhotoError(f"{folder}: {len(heic)} photos are HEIC, which is not read here: {heic[0]} …", hint=HEIC_HINT)
    photos = [path for path in files if path.suffix.lower() in SUFFIXES]
    if not photos:
        raise PhotoError(f"{folder}: no photo in this folder", hint=f"copy the photos here ({', '.join(SUFFIXES)})")
    return sorted(photos, key=lambda path: _natural(path.name))


def read_photo(path: Path, *, name: str = "") -> Photo:
    """Read a photo: grey pixels as the sensor delivered them (no EXIF rotation), EXIF and side file.

    Parameters
    ----------
    path : Path
    name : str, optional
        Name used in messages; the file's name by default.

    Raises
    ------
    PhotoError
        Missing or empty file, HEIC, not an image, truncated.
    FileError
        The side file `<photo>.toml` is broken.
    """
    data = read_bytes(path)
    if _is_heic(data):
        raise PhotoError(f"{path}: this is a HEIC picture, which is not read here", hint=HEIC_HINT)
    _refuse_truncated(path, data)
    flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
    gray = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
    if gray is None or gray.size == 0:
        raise PhotoError(f"{path}: not an image", hint=f"give photos ({', '.join(SUFFIXES)})")
    pixels: NDArray[np.uint8] = np.asarray(gray, dtype=np.uint8)
    if data[:2] == b"\xff\xd8" and _ends_in_fill(pixels):
        raise _truncated(path, "its lower part is empty")
    return Photo(name or path.name, pixels, _with_side_file(path, _exif(path)))


def read_bytes(path: Path) -> bytes:
    """Content of a photo's file.

    Raises
    ------
    PhotoError
        Missing, empty or unreadable.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError as err:
        raise PhotoError(f"{path}: no such photo", hint="check the name") from err
    except IsADirectoryError as err:
        raise PhotoError(
            f"{path}: is a folder, a photo is wanted", hint="give the photo files or let bayfix list the folder"
        ) from err
    except OSError as err:
        raise PhotoError(f"{path}: cannot be read: {err.strerror or err}", hint="check the access rights") from err
    if not data:
        raise PhotoError(f"{path}: the file is empty", hint="copy the photo again")
    return data


def _natural(name: str) -> list[tuple[int, int, str]]:
    parts = re.split(r"(\d+)", name.lower())
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts]


def _is_heic(data: bytes) -> bool:
    brands = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1", b"avif")
    return data[4:8] == b"ftyp" and data[8:12] in brands


_SCAN_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


def _jpeg_is_complete(data: bytes) -> bool:
    """Walk the segments (ITU-T T.81, B.1) to the end-of-image marker; a thumbnail's own marker inside APP1 is stepped over."""
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return False
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker == 0xD9:
            return True
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xDA:  # entropy-coded data follow, up to the next real marker
            found = _SCAN_END.search(data, at)
            if not found:
                return False
            at = found.start()
    return data[at : at + 2] == b"\xff\xd9"


def _truncated(path: Path, what: str) -> PhotoError:
    return PhotoError(f"{path}: the photo is cut short ({what})", hint="copy it again from the camera")


def _refuse_truncated(path: Path, data: bytes) -> None:
    if data[:2] == b"\xff\xd8" and not _jpeg_is_complete(data):
        raise _truncated(path, "the JPEG has no end marker")
    if data[:8] == b"\x89PNG\r\n\x1a\n" and data.rfind(b"IEND") < 0:
        raise _truncated(path, "the PNG has no end")


def _ends_in_fill(gray: NDArray[np.uint8]) -> bool:
    """Whether the last rows are one mid-grey value: what a JPEG decoder fills in where data are missing."""
    if gray.shape[0] < 64:
        return False
    tail = gray[-16:]
    value = int(tail[0, 0])
    return 20 < value < 235 and bool((tail == value).all()) and not bool((gray[:16] == value).all())


def _exif(path: Path) -> PhotoMeta:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a maker's odd EXIF is no reason to complain: unreadable entries count as not stated
        try:
            with Image.open(path) as image:
                base = image.getexif()
                details = base.get_ifd(ExifTags.IFD.Exif)
        except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
            return PhotoMeta()
    return PhotoMeta(
        make=_text(base.get(ExifTags.Base.Make)),
        model=_text(base.get(ExifTags.Base.Model)),
        focal_length_mm=_number(details.get(ExifTags.Base.FocalLength)),
        orientation=int(_number(base.get(ExifTags.Base.Orientation))),
        software=_text(base.get(ExifTags.Base.Software)),
        digital_zoom=_number(details.get(ExifTags.Base.DigitalZoomRatio)),
        exif_size_px=(
            int(_number(details.get(ExifTags.Base.ExifImageWidth))),
            int(_number(details.get(ExifTags.Base.ExifImageHeight))),
        ),
    )


def _text(value: Any) -> str:
    text = value.decode("ascii", "replace") if isinstance(value, bytes) else str(value or "")
    return text.replace("\0", " ").strip()


def _number(value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return number if np.isfinite(number) else 0.0


def side_file(path: Path) -> Path:
    """Where the capture command writes device and mode of a webcam picture: `<photo>.toml`."""
    return path.with_name(path.name + ".toml")


def _with_side_file(path: Path, meta: PhotoMeta) -> PhotoMeta:
    side = side_file(path)
    if not side.exists():
        return meta
    try:
        doc = tomllib.loads(read_text(side))
    except tomllib.TOMLDecodeError as err:
        raise FileError(f"{side}: not valid TOML: {err}", hint="delete it or take the picture again") from err
    if doc.get("schema") != CAPTURE_SCHEMA:
        raise FileError(f"{side}: schema {doc.get('schema')!r}, this version reads {CAPTURE_SCHEMA!r}")
    return replace(meta, device=str(doc.get("device", "")), mode=str(doc.get("mode", "")))
