"""Whether the car stayed where `rest` left it, by its boards in later photos: refused where it moved, told where none is."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.paper.sheet import Sheet
from calib.pipeline import CarStayed, car_stayed
from cli.check import NOT_SHOWN, How
from cli.stations import Desk
from vision.errors import MeasurementError
from vision.network import Network


def car_in(desk: Desk, network: Network, epoch: str) -> tuple[CarStayed, ...]:
    """Boards of the car seen in a check.

    Raises
    ------
    MeasurementError
        The car moved.
    """
    stayed = car_stayed(network.poses, desk.job, desk.boards, epoch)
    refuse_moved_car(stayed, desk)
    return stayed


def refuse_moved_car(stayed: Sequence[CarStayed], desk: Desk, *, with_body: bool = False) -> None:
    """Refuse photos in which a wheel board is not where it was in `rest`; a board on the body counts where no wheel is seen.

    Parameters
    ----------
    with_body : bool
        Boards on the body count in any case.

    Raises
    ------
    MeasurementError
    """
    with_body = with_body or all(row.on_body for row in stayed)
    moved = [row for row in stayed if row.moved and (with_body or not row.on_body)]
    if moved:
        worst = max(moved, key=lambda row: row.shift_mm)
        what = "the car's body (or the board on it)" if worst.on_body else "the car (or a wheel board)"
        raise MeasurementError(
            f"{what} moved since epoch rest: {worst.board} by {worst.shift_mm:.1f} mm "
            f"and {math.degrees(worst.turn_rad):.2f}° (U {worst.u_shift_mm:.1f} mm)",
            hint=f"set chocks and brake, photograph epoch rest again and run: bayfix survey {desk.job.folder}",
        )


def settled_words(stayed: Sequence[CarStayed]) -> list[str]:
    """Boards on the body that are elsewhere although the wheels stayed."""
    return [
        f"{row.board} on the car's body moved by {row.shift_mm:.1f} mm (U {row.u_shift_mm:.1f} mm) since rest, while the "
        "wheels stayed: a load, somebody in the car, a door? Touched points on the body are elsewhere now"
        for row in stayed
        if row.on_body and row.moved
    ]


def reason_given(how: How) -> bool:
    """Whether somebody says why the car stayed although no photo shows it."""
    return how.get("car_not_seen") is not None


def unseen_words(stayed: Sequence[CarStayed], how: How) -> list[str]:
    return [] if stayed or reason_given(how) else [NOT_SHOWN]


def shown_to_stay(stayed: Sequence[CarStayed], sheet: Sheet) -> bool:
    """Whether it is shown that what the placement starts from stayed: the wheels, or the body for a point touched on it."""
    return bool(stayed) and not (sheet.touched_points and any(row.moved for row in stayed))
