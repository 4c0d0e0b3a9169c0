"""One photo to be taken: which epoch, from where, and in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from synthetic_images.rigid import Array


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One photo to be taken.

    Attributes
    ----------
    name : str
        File stem, e.g. "03".
    epoch : str
        `roll-1` ... `rest`, `check-1` ..., or `lens` for photos of the lens board in an empty bay.
    sentence : str
        Where to stand and what to show, for people.
    bay_from_cam : ndarray, shape (4, 4)
    lens_board : str
        Board held before the camera in a lens photo.
    cam_from_lens_board : ndarray, shape (4, 4), or None
        Its pose in a lens photo; None in bay photos.
    held : mapping of board name to ndarray, shape (4, 4)
        `bay_from_board` of boards held by hand in this photo.
    """

    name: str
    epoch: str
    sentence: str
    bay_from_cam: Array
    lens_board: str = ""
    cam_from_lens_board: Array | None = None
    held: Mapping[str, Array] = field(default_factory=dict)

    @property
    def file_name(self) -> str:
        """Relative to the photo folder of a job."""
        return f"{self.epoch}/{self.name}.jpg"
