"""Photos of the lens board to sightings, on all cores; photos that do not belong together are refused by name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from vision.boards import BoardSet
from vision.detect import sightings_in
from vision.errors import LensError, PhotoError
from vision.parallel import in_parallel
from vision.photo_match import FOCAL_TOLERANCE, NO_ZOOM
from vision.photos import ORIGINAL_HINT, PhotoMeta, list_photos, read_photo
from vision.sightings import PhotoSightings


@dataclass(frozen=True, slots=True, eq=False)
class LensPhoto:
    """What one photo shows and where it comes from.

    Attributes
    ----------
    name : str
    sightings : tuple of PhotoSightings
        One entry; empty when the photo cannot be read.
    meta : PhotoMeta
    resized : bool
        The pixels are not those the camera wrote.
    fault : str
        Why the photo cannot be read; empty when it can.
    """

    name: str
    sightings: tuple[PhotoSightings, ...] = ()
    meta: PhotoMeta = field(default_factory=PhotoMeta)
    resized: bool = False
    fault: str = ""


def photo_paths(given: Sequence[Path]) -> list[Path]:
    """Photo files from files and folders, each once, in the order given (folders in natural order).

    Raises
    ------
    PhotoError
        Nothing given, no such file, a folder without photos.
    """
    paths = [path for item in given for path in ([item] if item.is_file() else list_photos(item))]
    if not paths:
        raise PhotoError("no photos given", hint="name the photos or the folder that holds them")
    unique: dict[Path, Path] = {}
    for path in paths:
        unique.setdefault(path.resolve(), path)
    return list(unique.values())


def look(paths: Sequence[Path], boards: BoardSet, tick: Callable[[str], None] = lambda _name: None) -> list[LensPhoto]:
    """Find the boards in every photo; an unreadable photo keeps its reason instead of stopping the others."""
    names = _short_names(paths)
    out = []
    for photo in in_parallel(_look, [(path, name, boards) for path, name in zip(paths, names, strict=True)]):
        out.append(photo)
        tick(photo.name)
    return out


def _short_names(paths: Sequence[Path]) -> list[str]:
    """File names, with their folder where two are alike."""
    count = Counter(path.name for path in paths)
    return [path.name if count[path.name] == 1 else f"{path.parent.name}/{path.name}" for path in paths]


Work = tuple[Path, str, BoardSet]


def _look(work: Work) -> LensPhoto:
    path, name, boards = work
    try:
        photo = read_photo(path, name=name)
    except PhotoError as err:
        return LensPhoto(name, fault=err.what.removeprefix(f"{path}: "))
    return LensPhoto(name, (sightings_in(photo, boards),), photo.meta, photo.resized)


def one_camera(photos: Sequence[LensPhoto]) -> PhotoMeta:
    """The camera, lens and device that took all photos, as the files tell.

    Raises
    ------
    LensError
        Zoomed or resized photos, several cameras, devices or focal lengths; names the fewer ones.
    """
    read = [photo for photo in photos if photo.sightings]
    if not read:
        return PhotoMeta()
    zoomed = [f"{p.name} ({p.meta.digital_zoom:g}x)" for p in read if p.meta.digital_zoom > NO_ZOOM]
    if zoomed:
        raise LensError(f"photos taken with digital zoom: {', '.join(zoomed)}", hint="photograph at 1x, without zooming")
    resized = [p.name for p in read if p.resized]
    if resized:
        raise LensError(f"photos not of the size the camera wrote: {', '.join(resized)}", hint=ORIGINAL_HINT)
    _one_kind(read, _camera_of, "cameras", "a lens profile is for one camera: leave the named photos out")
    _one_kind(
        read,
        lambda photo: _focal_class(photo, read),
        "focal lengths",
        "a lens profile is for one lens without zooming: leave the named photos out or take them again",
    )
    return read[0].meta


def _one_kind(photos: Sequence[LensPhoto], kind: Callable[[LensPhoto], str], what: str, hint: str) -> None:
    kinds = Counter(kind(photo) for photo in photos)
    common = kinds.most_common(1)[0][0]
    odd = [f"{photo.name} ({kind(photo)})" for photo in photos if kind(photo) != common]
    if odd:
        raise LensError(f"photos of several {what}: {', '.join(odd)}; the others: {common}", hint=hint)


def _camera_of(photo: LensPhoto) -> str:
    meta = photo.meta
    if meta.device:
        return " ".join([meta.device, meta.mode]).strip()
    return " ".join(f"{meta.make} {meta.model}".split()) or "camera not stated"


def _focal_class(photo: LensPhoto, photos: Sequence[LensPhoto]) -> str:
    """The first photo's focal length that this one equals within the rounding of EXIF."""
    own = photo.meta.focal_length_mm
    for other in photos:
        theirs = other.meta.focal_length_mm
        if (own == theirs == 0.0) or (own > 0 and theirs > 0 and abs(own / theirs - 1.0) <= FOCAL_TOLERANCE):
            return f"{theirs:g} mm" if theirs else "not stated"
    return f"{own:g} mm"
