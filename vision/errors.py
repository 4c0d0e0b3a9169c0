"""The failure road of measurement: the shop's data cannot give a trustworthy number.

Wrong calls by our own code stay `ValueError`/`TypeError`. A good measurement with a bad outcome is a verdict, not an error.
"""

from __future__ import annotations


class MeasurementError(Exception):
    """The photographs, boards or files at hand cannot give a trustworthy number.

    Parameters
    ----------
    what : str
        What is wrong and where (file, board, photo), in one sentence.
    hint : str
        What to try, in one sentence; printed after "try:".
    """

    def __init__(self, what: str, *, hint: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint

    def __reduce__(self) -> tuple[object, tuple[object, ...]]:
        # Errors cross process borders (photos are read in parallel); the default would lose the hint.
        return _rebuild, (type(self), self.what, self.hint)


def _rebuild(kind: type[MeasurementError], what: str, hint: str) -> MeasurementError:
    err = kind.__new__(kind)
    MeasurementError.__init__(err, what, hint=hint)
    return err


class FileError(MeasurementError):
    """A file is missing, unreadable, of an unknown version or holds a wrong entry."""


class PhotoError(MeasurementError):
    """A photo is unusable: no image, truncated, turned, of another camera, recompressed, blurred."""


class BoardError(MeasurementError):
    """Boards contradict each other or their file: overlapping marker ids, unknown name, impossible size."""


class LensError(MeasurementError):
    """A lens profile cannot be fitted from these photos, or does not belong to this photo."""


class WrongLensError(LensError):
    """The photos of a survey contradict a lens profile; `lens` names it."""

    def __init__(self, what: str, *, hint: str = "", lens: str = "") -> None:
        super().__init__(what, hint=hint)
        self.lens = lens


class PoseError(MeasurementError):
    """A board's pose cannot be had from these corners."""


class NetworkError(MeasurementError):
    """The photos do not tie the boards together well enough; names the photo to add."""
