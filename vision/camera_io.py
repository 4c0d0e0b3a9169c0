"""Lens profiles on disk: our own TOML, and OpenCV or ROS camera files by their ending.

The covariance is kept as standard deviations and correlations of the estimated parameters, so that a person can read it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import tomlkit
from pydantic import Field, model_validator
from tomlkit.items import Table

from vision.camera import DISTORTION_NAMES, INTRINSIC_NAMES, Camera, LensProfile, Wobble
from vision.camera_foreign import ForeignCamera, opencv_text, read_opencv, read_ros, ros_text
from vision.errors import FileError
from vision.frames import Array
from vision.toml_io import EntryError, FileModel, read_text, read_toml, write_file

SCHEMA = "lens/1"
FAR_OFF = 0.1
"""Of the picture's side: no camera's principal point is so far from its middle, that of a turned picture is."""
LEAST_FOCAL = 0.1
"""Of the picture's longer side: 157 degrees across, which this lens model does not describe."""
ENDING = ".lens.toml"
PARAMETER_NAMES = INTRINSIC_NAMES + DISTORTION_NAMES
IMPORTED_FOCAL_PERCENT = 0.1
IMPORTED_CENTRE_PX = 2.0
IMPORTED_CORNER_PX = 0.5
"""σ assumed of a camera file without a covariance: focal length, principal point, and for each distortion coefficient in use
as much as moves the farthest image corner by this. Common practice, no source."""

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


@dataclass(frozen=True, slots=True)
class LensNotes:
    """How a profile came about; kept in its file for people.

    Attributes
    ----------
    rms_px, holdout_rms_px : float
        0 when unknown.
    photos : tuple of str
        The lens photos used.
    boards : tuple of str
    remarks : tuple of str
        Plain sentences, e.g. that an imported covariance is assumed.
    """

    rms_px: float = 0.0
    holdout_rms_px: float = 0.0
    photos: tuple[str, ...] = ()
    boards: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class LensFile:
    """What a lens file holds."""

    profile: LensProfile
    notes: LensNotes = field(default_factory=LensNotes)


class _Camera(FileModel):
    fx_px: Positive
    fy_px: Positive
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    k4: float = 0.0
    k5: float = 0.0
    k6: float = 0.0


class _Sigma(FileModel):
    fx_px: NotNegative | None = None
    fy_px: NotNegative | None = None
    cx_px: NotNegative | None = None
    cy_px: NotNegative | None = None
    k1: NotNegative | None = None
    k2: NotNegative | None = None
    p1: NotNegative | None = None
    p2: NotNegative | None = None
    k3: NotNegative | None = None
    k4: NotNegative | None = None
    k5: NotNegative | None = None
    k6: NotNegative | None = None


class _Correlation(FileModel):
    names: list[str]
    rows: list[list[float]]

    @model_validator(mode="after")
    def _square(self) -> _Correlation:
        n = len(self.names)
        unknown = [name for name in self.names if name not in PARAMETER_NAMES]
        if unknown:
            raise ValueError(f"unknown camera parameter {unknown[0]!r}")
        if len(set(self.names)) != n:
            raise ValueError("a name stands twice")
        if [len(row) for row in self.rows] != [n] * n:
            raise ValueError(f"{n} names need {n} rows of {n} numbers")
        matrix = np.array(self.rows).reshape(n, n)
        if np.abs(np.diag(matrix) - 1.0).max(initial=0.0) > 1e-9 or np.abs(matrix - matrix.T).max(initial=0.0) > 1e-9:
            raise ValueError("correlations must be symmetric with 1 on the diagonal")
        if n and float(np.linalg.eigvalsh(matrix).min()) < -1e-9:
            raise ValueError("these correlations contradict each other (the matrix has a negative eigenvalue)")
        return self


class _Wobble(FileModel):
    focal_percent: NotNegative = 0.0
    centre_px: NotNegative = 0.0
    row_drift_px: NotNegative = 0.0


class _Fit(FileModel):
    rms_px: NotNegative = 0.0
    holdout_rms_px: NotNegative = 0.0
    photos: list[str] = []
    boards: list[str] = []
    remarks: list[str] = []


class _LensModel(FileModel):
    schema_: Literal["lens/1"] = Field(alias="schema")
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    focus: Literal["locked", "auto"]
    date: str = ""
    make: str = ""
    model: str = ""
    focal_length_mm: NotNegative = 0.0
    device: str = ""
    camera: _Camera
    sigma: _Sigma = _Sigma()
    correlation: _Correlation = _Correlation(names=[], rows=[])
    wobble: _Wobble = _Wobble()
    fit: _Fit = _Fit()

    @model_validator(mode="after")
    def _sigmas_match(self) -> _LensModel:
        given = {name for name in PARAMETER_NAMES if getattr(self.sigma, name) is not None}
        if given != set(self.correlation.names):
            odd = sorted(given ^ set(self.correlation.names))
            words = f"[sigma] and [correlation] must name the same parameters; not in both: {', '.join(odd)}"
            raise EntryError(words, "correlation" if self.correlation.names else "sigma")
        return self

    @model_validator(mode="after")
    def _camera_of_this_picture(self) -> _LensModel:
        """What typing the numbers of a picture that was turned, or of another size, leads to."""
        camera, width, height = self.camera, self.width_px, self.height_px
        at = f"the principal point ({camera.cx_px:g}, {camera.cy_px:g})"
        off = max(abs(camera.cx_px / width - 0.5), abs(camera.cy_px / height - 0.5))
        turned = max(abs(camera.cx_px / height - 0.5), abs(camera.cy_px / width - 0.5))
        if off > FAR_OFF and turned < FAR_OFF / 2:
            raise EntryError(f"{at} is that of a picture {height} px wide and {width} px high: exchange the two", "width_px")
        if not (0 <= camera.cx_px < width and 0 <= camera.cy_px < height):
            raise EntryError(f"{at} lies outside the picture of {width} x {height} px", "camera", "cx_px")
        if min(camera.fx_px, camera.fy_px) < LEAST_FOCAL * max(width, height):
            words = f"a focal length of {camera.fx_px:g} px is that of no lens over {width} x {height} px"
            raise EntryError(words, "camera", "fx_px")
        return self


def read_profile(path: Path) -> LensProfile:
    """The lens profile of a file: `.toml` (ours), `.xml`, `.yml` or `.yaml` (OpenCV, ROS camera_info).

    A camera file without a covariance gets an assumed one, see `read_lens`.

    Raises
    ------
    FileError
    """
    return read_lens(path).profile


def read_lens(path: Path) -> LensFile:
    """A lens file with its notes; the remarks say when the covariance is assumed.

    Raises
    ------
    FileError
        Missing or broken file, unknown ending or key, a lens model that is not supported.
    """
    ending = path.suffix.lower()
    if ending == ".toml":
        return _read_own(path)
    if ending == ".xml":
        return _imported(path, read_opencv(path))
    if ending in (".yml", ".yaml"):
        text = read_text(path)
        opencv = "!!opencv-matrix" in text or (text.lstrip().startswith("%YAML") and "distortion_model" not in text)
        return _imported(path, read_opencv(path) if opencv else read_ros(path))
    raise _unknown_ending(path)


def write_profile(path: Path, profile: LensProfile, notes: LensNotes | None = None) -> None:
    """Write a lens file in the format of the ending: `.toml` (ours), `.xml`, `.yml` (OpenCV), `.yaml` (ROS camera_info).

    The foreign formats hold the camera only: no covariance, no wobble.

    Raises
    ------
    FileError
        Unknown ending.
    """
    ending = path.suffix.lower()
    if ending == ".toml":
        write_file(path, profile_text(profile, notes or LensNotes()))
    elif ending in (".xml", ".yml"):
        write_file(path, opencv_text(profile.camera, xml=ending == ".xml"))
    elif ending == ".yaml":
        write_file(path, ros_text(profile.camera, profile.name))
    else:
        raise _unknown_ending(path)


def _unknown_ending(path: Path) -> FileError:
    return FileError(
        f"{path}: {path.suffix or 'no ending'} is no lens file",
        hint="use .lens.toml, .xml or .yml (OpenCV), .yaml (ROS camera_info)",
    )


def profile_name(path: Path) -> str:
    """How jobs and messages call a profile: "phone" for phone.lens.toml."""
    return path.name[: -len(ENDING)] if path.name.endswith(ENDING) else path.stem


def _read_own(path: Path) -> LensFile:
    doc = read_toml(path, _LensModel, SCHEMA)
    values = np.array([getattr(doc.camera, name) for name in PARAMETER_NAMES])
    camera = Camera(doc.width_px, doc.height_px, 1.0, 1.0, 0.0, 0.0).with_parameters(values)
    cov = np.zeros((12, 12))
    rows = [PARAMETER_NAMES.index(name) for name in doc.correlation.names]
    sigma = np.array([getattr(doc.sigma, name) for name in doc.correlation.names])
    cov[np.ix_(rows, rows)] = np.array(doc.correlation.rows).reshape(len(rows), len(rows)) * np.outer(sigma, sigma)
    profile = LensProfile(
        name=profile_name(path),
        camera=camera,
        cov=cov,
        focus=doc.focus,
        wobble=Wobble(doc.wobble.focal_percent, doc.wobble.centre_px, doc.wobble.row_drift_px),
        make=doc.make,
        model=doc.model,
        focal_length_mm=doc.focal_length_mm,
        device=doc.device,
        date=doc.date,
    )
    fit = doc.fit
    notes = LensNotes(fit.rms_px, fit.holdout_rms_px, tuple(fit.photos), tuple(fit.boards), tuple(fit.remarks))
    return LensFile(profile, notes)


def profile_text(profile: LensProfile, notes: LensNotes) -> str:
    """The TOML text of a profile; every number keeps all its digits."""
    doc = tomlkit.document()
    doc["schema"] = SCHEMA
    doc.add(
        tomlkit.comment("Lens profile of bayfix: one camera at one resolution, zoom and focus. Lengths px, sigma at k = 1.")
    )
    doc["width_px"], doc["height_px"] = profile.camera.width_px, profile.camera.height_px
    doc["focus"] = profile.focus
    for key in ("date", "make", "model", "device"):
        if getattr(profile, key):
            doc[key] = getattr(profile, key)
    if profile.focal_length_mm > 0:
        doc["focal_length_mm"] = float(profile.focal_length_mm)
    values = profile.camera.parameters
    doc["camera"] = _numbers({n: v for i, (n, v) in enumerate(zip(PARAMETER_NAMES, values, strict=True)) if i < 4 or v != 0.0})
    rows = np.flatnonzero(np.diag(profile.cov) > 0)
    names = [PARAMETER_NAMES[i] for i in rows]
    sigma = np.sqrt(np.diag(profile.cov)[rows])
    doc["sigma"] = _numbers(dict(zip(names, sigma, strict=True)))
    doc["correlation"] = _correlation(names, profile.cov[np.ix_(rows, rows)], sigma)
    wobble = _numbers({"focal_percent": profile.wobble.focal_percent, "centre_px": profile.wobble.centre_px})
    wobble.comment("sigma of one photo's focal length and principal point")
    if profile.wobble.row_drift_px:
        wobble["row_drift_px"] = profile.wobble.row_drift_px
    doc["wobble"] = wobble
    doc["fit"] = _fit(notes)
    return tomlkit.dumps(doc)


def _numbers(values: dict[str, float]) -> Table:
    table = tomlkit.table()
    for name, value in values.items():
        table[name] = float(value)
    return table


def _correlation(names: list[str], cov: Array, sigma: Array) -> Table:
    matrix = cov / np.outer(sigma, sigma)
    matrix = 0.5 * (matrix + matrix.T)
    np.fill_diagonal(matrix, 1.0)
    table = tomlkit.table()
    table["names"] = names
    rows = tomlkit.array()
    for row in matrix:
        rows.add_line([float(value) for value in row])
    rows.add_line(indent="")
    table["rows"] = rows
    return table


def _fit(notes: LensNotes) -> Table:
    table = _numbers({"rms_px": notes.rms_px, "holdout_rms_px": notes.holdout_rms_px})
    for key in ("photos", "boards", "remarks"):
        table[key] = list(getattr(notes, key))
    return table


def _imported(path: Path, foreign: ForeignCamera) -> LensFile:
    camera = foreign.camera
    remark = (
        f"{path.name} states no uncertainty: assumed are {IMPORTED_FOCAL_PERCENT:g} % of the focal length, "
        f"{IMPORTED_CENTRE_PX:g} px of the principal point and {IMPORTED_CORNER_PX:g} px at the image corner from each "
        "distortion coefficient (k = 1); calibrate with bayfix lens to know them"
    )
    profile = LensProfile(name=profile_name(path), camera=camera, cov=assumed_cov(camera), date=foreign.date)
    return LensFile(profile, LensNotes(remarks=(remark,), rms_px=foreign.rms_px))


def assumed_cov(camera: Camera) -> Array:
    """Covariance given to a camera whose file states none (module constants), shape (12, 12)."""
    sigma = np.zeros(12)
    sigma[:2] = IMPORTED_FOCAL_PERCENT / 100.0 * camera.parameters[:2]
    sigma[2:4] = IMPORTED_CENTRE_PX
    reach = np.tan(camera.half_angle_rad())
    powers = {"k1": 3, "k2": 5, "p1": 2, "p2": 2, "k3": 7, "k4": 3, "k5": 5, "k6": 7}
    for i, name in enumerate(DISTORTION_NAMES):
        if camera.distortion[i] != 0.0:
            sigma[4 + i] = IMPORTED_CORNER_PX / (camera.fx_px * reach ** powers[name])
    return np.diag(sigma**2)
