"""The picture of the floor: numbers with their way in words, tint only between boards, the same as SVG and as PNG."""

from __future__ import annotations

import io
import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image
from scipy.spatial import Delaunay

from calib.geometry.floor_map import FloorMap
from calib.geometry.unevenness import BelievedFloor
from calib.paper.floor_picture import CELL_MM, floor_picture
from synthetic_images.invent import floor_places
from tests.support.car import as_set, car
from vision.frames import Estimate, Pose
from vision.poses import PoseSet

UNEVEN = BelievedFloor(2.0, "typed", 16, 1.2, 2.0, True, "")


def seen(count=16, turn=None) -> tuple[PoseSet, FloorMap]:
    """A car on a floor that is high on its left and low on its right; `turn` is where the floor frame points."""
    place = np.array(floor_places(16)[:count])
    value = np.sign(place[:, 1]) * np.linspace(0.4, 1.6, count)
    labels = tuple(f"height:floor-{i + 1}_mm" for i in range(count))
    names = tuple(f"floor-{i + 1}" for i in range(count))
    poses = car()
    if turn is not None:
        poses["floor"] = Pose.from_rt("survey", "floor", turn, [100.0, -50.0, 0.0])
        place = (np.column_stack([place, np.zeros(count)]) - [100.0, -50.0, 0.0]) @ turn
    return as_set(poses), FloorMap(names, place[:, :2], Estimate(labels, value, 0.01 * np.eye(count)))


def texts(drawing) -> dict[str, tuple[float, float]]:
    root = ET.fromstring(drawing.svg())  # noqa: S314 - our own file
    elements = [e for e in root.iter() if e.tag.endswith("text")]
    return {str(e.text): (float(e.attrib["x"]), float(e.attrib["y"])) for e in elements}


def test_every_board_is_told_with_its_way_and_u():
    said = texts(floor_picture(*seen(), UNEVEN, "Floor"))
    assert {f"floor-{i + 1}" for i in range(16)} <= set(said)
    assert "0.4 above" in said
    assert "0.8 below" in said
    assert "± 0.2" in said
    assert "1 m" in said
    assert any(words.startswith("Highest: ") and "Floor uneven by ±2.0 mm, as typed" in words for words in said)


@pytest.mark.parametrize("heading_deg", [0.0, 90.0, 200.0])
def test_the_cars_left_is_left_and_its_front_up_however_the_floor_frame_is_turned(heading_deg):
    c, s = math.cos(math.radians(heading_deg)), math.sin(math.radians(heading_deg))
    said = texts(floor_picture(*seen(turn=np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])), UNEVEN, "Floor"))
    # floor-1 … floor-5 lie on the car's left from behind to ahead, floor-6 … on its right.
    assert said["floor-1"][0] < said["floor-6"][0]
    assert said["floor-1"][1] > said["floor-5"][1]


def test_only_the_floor_between_boards_is_tinted():
    poses, floor = seen()
    root = ET.fromstring(floor_picture(poses, floor, UNEVEN, "Floor").svg())  # noqa: S314 - our own file
    # Cells are the filled shapes without an outline of their own.
    cells = [e for e in root.iter() if e.tag.endswith("polygon") and e.attrib["fill"] == e.attrib["stroke"]]
    hull = Delaunay(floor.place_mm)
    area = sum(abs(np.linalg.det(np.diff(floor.place_mm[t], axis=0))) / 2 for t in hull.simplices)
    assert len(cells) * CELL_MM**2 == pytest.approx(area, rel=0.03)
    few = seen(5)
    drawing = floor_picture(few[0], few[1], UNEVEN, "Floor")
    assert any(words.startswith("No tint: 5 boards") for words in texts(drawing))


def test_svg_and_png_are_of_one_size():
    drawing = floor_picture(*seen(), UNEVEN, "Floor")
    picture = Image.open(io.BytesIO(drawing.png()))
    assert picture.size == (math.ceil(drawing.width), math.ceil(drawing.height))
    assert picture.convert("L").crop((300, 300, 700, 900)).getextrema()[0] < 200
