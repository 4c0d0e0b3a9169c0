"""A measured length against one known otherwise: do they agree within what both are sure of?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vision.frames import Estimate

COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class KnownLength:
    """Measured and known length, mm, their half-widths at k = 2, and their difference over both together.

    `score` is E_n = |difference| / √(U² + pm²) (ISO 13528:2022, 9.7): they agree while it is at most 1.
    """

    measured_mm: float
    u_mm: float
    known_mm: float
    pm_mm: float
    score: float

    @property
    def difference_mm(self) -> float:
        return self.measured_mm - self.known_mm

    @property
    def agrees(self) -> bool:
        return self.score <= 1.0


def compare(length: Estimate, known_mm: float, pm_mm: float) -> KnownLength:
    """The estimate `length_mm` against a length known to ±`pm_mm` (k = 2)."""
    measured, u = float(length.value[length.index("length_mm")]), COVERAGE * length.sigma("length_mm")
    return KnownLength(measured, u, known_mm, pm_mm, abs(measured - known_mm) / math.hypot(u, pm_mm))
