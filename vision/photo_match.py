"""Which lens profile belongs to a photo; a photo that none fits is refused with the reasons."""

from __future__ import annotations

from collections.abc import Sequence

from vision.camera import LensProfile
from vision.errors import LensError, PhotoError
from vision.photos import ORIGINAL_HINT, Photo

FOCAL_TOLERANCE = 0.02
"""Relative: EXIF focal lengths are rounded; another zoom step or lens differs by more."""
NO_ZOOM = 1.01


def match_lens(photo: Photo, profiles: Sequence[LensProfile]) -> LensProfile:
    """The lens profile that belongs to this photo, by image size and by what the file says of camera, focal length and device.

    Raises
    ------
    LensError
        There is no profile at all, or two fit equally well.
    PhotoError
        No profile fits: turned photo, other size, other camera, other focal length, digital zoom, recompressed.
    """
    if not profiles:
        raise LensError(f"{photo.name}: no lens profile given", hint="calibrate the camera first: bayfix lens PHOTOS")
    if photo.meta.digital_zoom > NO_ZOOM:
        raise PhotoError(
            f"{photo.name}: taken with {photo.meta.digital_zoom:g}x digital zoom", hint="photograph at 1x, without zooming"
        )
    reasons = {profile.name: _mismatch(photo, profile) for profile in profiles}
    fitting = [profile for profile in profiles if not reasons[profile.name]]
    if not fitting:
        words = "; ".join(f"lens {name}: {reason}" for name, (reason, _) in _told(reasons).items())
        hints = dict.fromkeys(hint for _, hint in _told(reasons).values())
        raise PhotoError(f"{photo.name} fits no lens profile: {words}", hint="; or ".join(hints))
    best = max(_evidence(photo, profile) for profile in fitting)
    closest = [profile for profile in fitting if _evidence(photo, profile) == best]
    if len(closest) > 1:
        names = ", ".join(profile.name for profile in closest)
        raise LensError(
            f"{photo.name}: the lens profiles {names} fit equally well",
            hint="name the right one for these photos in the job file",
        )
    return closest[0]


Reason = tuple[str, str]


def _told(reasons: dict[str, Reason | None]) -> dict[str, Reason]:
    return {name: reason for name, reason in reasons.items() if reason}


def _mismatch(photo: Photo, profile: LensProfile) -> Reason | None:
    """Why the photo does not belong to the profile, and what to do; None if it does."""
    return _size_mismatch(photo, profile) or _camera_mismatch(photo, profile)


def _size_mismatch(photo: Photo, profile: LensProfile) -> Reason | None:
    have = (photo.width_px, photo.height_px)
    want = (profile.camera.width_px, profile.camera.height_px)
    if have == want:
        return None
    sizes = f"{have[0]}x{have[1]} px, the profile is for {want[0]}x{want[1]}"
    lost_exif = not photo.meta.names_camera and bool(profile.make or profile.model)
    if have == want[::-1]:
        return (
            f"width and height are exchanged ({sizes}): the photo was turned after it was taken",
            "use the original: pixels must not be turned (turning by the EXIF mark alone is harmless)",
        )
    if photo.resized or (lost_exif and have[0] * have[1] < want[0] * want[1]):
        return f"other size ({sizes}) and not as the camera wrote it: recompressed by a messenger or an editor", ORIGINAL_HINT
    return f"other size ({sizes})", "set the camera to the resolution of its lens profile, or calibrate this resolution"


def _camera_mismatch(photo: Photo, profile: LensProfile) -> Reason | None:
    meta = photo.meta
    named = bool(profile.make or profile.model)
    if photo.resized:
        stated = meta.exif_size_px
        return f"the camera wrote {stated[0]}x{stated[1]} px, the file has {photo.width_px}x{photo.height_px}", ORIGINAL_HINT
    if named and not meta.names_camera and not meta.device:
        return (
            "the file does not say which camera took it, as originals do: recompressed by a messenger or an editor",
            ORIGINAL_HINT,
        )
    if profile.device and meta.device != profile.device:
        return f"other capture device ({meta.device or 'unknown'}, profile: {profile.device})", "use the camera of the profile"
    if named and meta.device:
        return (
            f"taken by the capture device {meta.device}, the profile is of {profile.make} {profile.model}",
            "use the camera of the profile",
        )
    if named and _plain(meta.make, meta.model) != _plain(profile.make, profile.model):
        taken = f"{meta.make} {meta.model}".strip()
        return f"other camera ({taken}, profile: {profile.make} {profile.model})", "calibrate this camera: bayfix lens PHOTOS"
    if profile.focal_length_mm > 0 and meta.focal_length_mm > 0:
        ratio = meta.focal_length_mm / profile.focal_length_mm
        if abs(ratio - 1.0) > FOCAL_TOLERANCE:
            focal = f"{meta.focal_length_mm:g} mm, profile: {profile.focal_length_mm:g} mm"
            return (
                f"other focal length ({focal}): another lens or zoom",
                "use the 1x lens without zooming, as in the lens photos",
            )
    return None


def _plain(make: str, model: str) -> tuple[str, str]:
    return " ".join(make.lower().split()), " ".join(model.lower().split())


def _evidence(photo: Photo, profile: LensProfile) -> int:
    """How many of the profile's marks the photo confirms."""
    meta = photo.meta
    confirmed = [
        bool(profile.make or profile.model) and meta.names_camera,
        profile.focal_length_mm > 0 and meta.focal_length_mm > 0,
        bool(profile.device) and meta.device == profile.device,
    ]
    return sum(confirmed)
