"""Two reflectors at the same time on a simulated job: the demo panel's two boards, each as a target of its own."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from cli.demo_bay import CHECK
from synthetic_images import truth
from synthetic_images.bay import Bay

NAMES = {"left": "stand-1", "right": "stand-2"}
"""Board of each target: who faces a panel ahead of the car looks as the driver does, and has the car's left to the left."""
STAND = """\
schema = "stand/1"
[[board]]
name = "{0}"
right_mm = 0.0
up_mm = 0.0
behind_mm = {1:.2f}
turn_deg = {2:.3f}
"""
SHEET = """\
schema = "placement-sheet/2"
origin = "front-axle"
line = "thrust"
side = "ahead"

[provenance]
document = "service information, page 11"
typed_by = "A. B."
"""
PLACEMENT = """
[[placement]]
name = "{0}"
target = "reflector at the car's {0}"
kind = "reflector"
target_boards = ["{1}"]
{2}distance = {{ value = {3:.1f}, unit = "mm", tolerance = 8.0 }}
lateral = {{ value = {4:.1f}, unit = "mm", tolerance = 8.0 }}
height = {{ value = {5:.1f}, unit = "mm", tolerance = 8.0 }}
yaw = {{ value = 0.0, unit = "deg", tolerance = 3.0 }}
"""


def true_figures(bay: Bay) -> dict[str, dict[str, float]]:
    """The six figures of both targets: the point of the panel's face behind each board's centre mark."""
    stand = bay.epoch(CHECK).stand
    frame = truth.line_frame(bay, stand, CHECK)
    out = {}
    for name, board in NAMES.items():
        attached = next(one for one in stand.boards if one.name == board)
        pose = np.array(bay.bay_from_target(CHECK))
        # Seen facing a target ahead of the car: right is -y, up is z of the target's axes.
        pose[:3, 3] = (pose @ np.array([0.0, -attached.right_mm, attached.up_mm, 1.0]))[:3]
        out[name] = frame.figures(pose)
    return out


def put_two_targets(job: Path, bay: Bay, off_mm: dict[str, float] | None = None) -> None:
    """Sheet, stand files and job entry; `off_mm` is by how much the sheet wants a target farther away than it stands."""
    stand = bay.epoch(CHECK).stand
    texts = [SHEET]
    for name, figures in true_figures(bay).items():
        board = next(one for one in stand.boards if one.name == NAMES[name])
        text = STAND.format(board.name, board.behind_mm, math.degrees(board.turn_rad))
        (job / f"{name}.toml").write_text(text, encoding="utf-8")
        places = [figures["distance_mm"] + (off_mm or {}).get(name, 0.0), figures["lateral_mm"], figures["height_mm"]]
        beside = 'with = "left"\n' if name == "right" else ""
        texts.append(PLACEMENT.format(name, board.name, beside, *places))
    (job / "sheet.toml").write_text("".join(texts), encoding="utf-8")
    text = (job / "job.toml").read_text(encoding="utf-8")
    named = 'stands = { left = "left.toml", right = "right.toml" }\n'
    (job / "job.toml").write_text(text.replace('stand = "', named + 'stand = "', 1), encoding="utf-8")
