"""A job folder that can be read: files are there, photos are not."""

from __future__ import annotations

from pathlib import Path

from calib.paper.job import Job, read_job
from calib.paper.templates import new_job
from vision.boards_io import starter_text

SHEET = """\
schema = "placement-sheet/1"
target = "panel"
origin = "front-axle"
line = "thrust"
side = "ahead"
distance = { value = 1500.0, unit = "mm", tolerance = 5.0 }
[provenance]
document = "invented"
typed_by = "A. B."
"""
THREE = """\
schema = "placement-sheet/2"
[provenance]
document = "invented"
typed_by = "A. B."
""" + "".join(
    f"""
[[placement]]
name = "{name}"
target = "panel {name}"
origin = "front-axle"
line = "thrust"
side = "ahead"
distance = {{ value = {distance}, unit = "mm", tolerance = 5.0 }}
"""
    for name, distance in (("low", 1500.0), ("high", 1500.0), ("far", 2500.0))
)


def paper_job(folder: Path, sheet: str = SHEET) -> Job:
    """A new job, filled in as far as it can be read."""
    new_job(folder, starter_text("a4"))
    stand = (folder / "stand.toml").read_text(encoding="utf-8")
    for key in ("right_mm", "up_mm", "behind_mm"):
        stand = stand.replace(f"# {key} = ", f"{key} = ", 1)
    (folder / "stand.toml").write_text(stand, encoding="utf-8")
    (folder / "sheet.toml").write_text(sheet, encoding="utf-8")
    (folder / "phone.lens.toml").write_text(LENS, encoding="utf-8")
    return read_job(folder)


LENS = """\
schema = "lens/1"
width_px = 1920
height_px = 1080
focus = "locked"
[camera]
fx_px = 1400.0
fy_px = 1400.0
cx_px = 960.0
cy_px = 540.0
"""
