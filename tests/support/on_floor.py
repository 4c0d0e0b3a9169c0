"""A car that stands where its floor puts it: heave, roll and pitch of every epoch from the floor under its wheels."""

from __future__ import annotations

import numpy as np

from cli.demo_bay import DemoBay
from synthetic_images.bay import WHEEL_POSITIONS, Floor
from tests.support.simulated import with_epochs


def standing_on_its_floor(demo: DemoBay) -> DemoBay:
    """The demo with the car's motion in the roll epochs taken from the waves of its floor instead of drawn."""
    bay = demo.bay
    waves = Floor(waves=bay.floor.waves)
    wheels = [bay.wheel(position).reference_in_car_mm for position in WHEEL_POSITIONS]
    design = np.array([[1.0, y, -x] for x, y, _ in wheels])

    def stands(epoch: str) -> np.ndarray:
        """Heave, roll, pitch of the least-squares plane through the four places on the floor."""
        pose = bay.bay_from_car_in(epoch)
        places = [(pose @ np.array([x, y, 0.0, 1.0]))[:2] for x, y, _ in wheels]
        found: np.ndarray = np.linalg.lstsq(design, np.array([waves.height_mm(*place) for place in places]), rcond=None)[0]
        return found

    rest = stands("rest")
    change = {}
    for epoch in bay.epochs:
        if epoch.name.startswith("roll-"):
            heave, roll, pitch = stands(epoch.name) - rest
            change[epoch.name] = {"heave_mm": float(heave), "roll_rad": float(roll), "pitch_rad": float(pitch)}
    return with_epochs(demo, change)
