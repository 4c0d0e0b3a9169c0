"""A sheet drawn to scale: places read back from the SVG with the scale bar as ruler, and sides said in words."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from calib.paper.drawing import Line
from calib.paper.placements import TargetSize
from calib.paper.sheet import read_sheets
from calib.paper.sheet_drawing import sheet_drawing
from calib.paper.sheet_scene import TARGET_INK, clearance_boxes, hull, mat_outline_mm, scene_of
from tests.support.sheet_texts import MANY

MAT = """
[[placement]]
name = "mat"
target = "mat"
kind = "mat"
[[placement.mark]]
name = "a"
ahead = { value = 500, unit = "mm", tolerance = 5 }
left = { value = 1500, unit = "mm", tolerance = 8 }
[[placement.mark]]
name = "b"
ahead = { value = -500, unit = "mm" }
left = { value = -1500, unit = "mm" }

[provenance]"""


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    path = tmp_path_factory.mktemp("sheet") / "sheet.toml"
    path.write_text(MANY.replace("\n[provenance]", MAT), encoding="utf-8")
    return read_sheets(path)


def texts(svg: str) -> list[str]:
    return re.findall(r">([^<]+)</text>", svg)


def rings(svg: str, colour: str) -> list[np.ndarray]:
    """Corners of the closed shapes of a colour."""
    found = re.findall(rf'<polygon points="([^"]+)" fill="[^"]+" stroke="{colour}"', svg)
    return [np.array([[float(v) for v in pair.split(",")] for pair in points.split()]) for points in found]


def metre(svg: str) -> float:
    """Length of the scale bar in units of the page: the line just before its label."""
    ends = re.findall(r'<polyline points="([\d.]+),[\d.]+ ([\d.]+),[\d.]+"[^>]*stroke-width="3"/>\n<text[^>]*>1 m<', svg)
    ((a, b),) = ends
    return float(b) - float(a)


def target_size_mm(svg: str) -> list[tuple[float, float]]:
    """Width and height on the page of the target in both views, mm."""
    sizes = [np.ptp(ring, axis=0) / metre(svg) * 1000.0 for ring in rings(svg, TARGET_INK) if len(ring) == 4]
    return [(float(w), float(h)) for w, h in sizes]


def test_the_target_is_drawn_to_scale_in_both_views(sheets):
    svg = sheet_drawing(sheets["camera-low"]).svg()
    (from_above, from_the_side) = target_size_mm(svg)
    # 1200 mm wide, 800 mm high, 40 mm deep as usual; the page is written to a hundredth of a unit, some 0.05 mm.
    assert from_above == pytest.approx((40.0, 1200.0), abs=0.2)
    assert from_the_side == pytest.approx((40.0, 800.0), abs=0.2)


def test_distance_and_height_are_drawn_to_scale(sheets):
    svg = sheet_drawing(sheets["camera-low"]).svg()
    above, side = (ring.mean(axis=0) for ring in rings(svg, TARGET_INK) if len(ring) == 4)
    wheels = [ring for ring in rings(svg, "#6c727a") if len(ring) == 48]
    front = max((ring.mean(axis=0) for ring in wheels), key=lambda middle: middle[0])
    ahead_mm = (above[0] - front[0]) / metre(svg) * 1000.0
    assert ahead_mm == pytest.approx(2600.0 + 20.0, abs=0.5)  # the face stands at 2600, the box reaches 40 mm behind it
    up_mm = (front[1] - side[1]) / metre(svg) * 1000.0
    assert up_mm == pytest.approx(1250.0 - 320.0, abs=0.5)


def test_sides_are_said_in_words(sheets):
    said = texts(sheet_drawing(sheets["radar-rear-left"]).svg())
    assert "radar-rear-left: corner reflector (reflector), BEHIND the car" in said
    assert "distance 2000 -5/+8 mm" in said
    assert "lateral 1600 ±10 mm, to the car&apos;s left".replace("&apos;", "'") in said
    assert "yaw -45 ±1°, clockwise seen from above" in said
    assert "height 650 ±10 mm above the floor" in said
    assert any("drawn as usual: size, pitch, roll" in line for line in said)


def test_a_target_behind_the_left_of_the_car_stands_and_looks_there(sheets):
    scene = scene_of(sheets["radar-rear-left"])
    assert scene.centre_mm == pytest.approx([-2000.0, 1600.0, 650.0])
    # Turned clockwise by 45° from looking forward: forward and to the car's right.
    assert scene.facing == pytest.approx([math.sqrt(0.5), -math.sqrt(0.5), 0.0])
    apex = scene.outline_mm[-1] - scene.centre_mm
    assert apex @ scene.facing < 0.0


def test_a_panel_ahead_looks_back_and_its_box_lies_beyond_its_face(sheets):
    scene = scene_of(sheets["camera-low"])
    assert scene.facing == pytest.approx([-1.0, 0.0, 0.0])
    assert scene.outline_mm[:, 0].min() == pytest.approx(2700.0 + 2600.0)
    assert scene.outline_mm[:, 0].max() == pytest.approx(2700.0 + 2640.0)


def test_the_marks_of_a_mat_are_drawn_where_they_lie(sheets):
    scene = scene_of(sheets["mat"])
    assert scene.marks_mm["a"] == pytest.approx([3200.0, 1500.0, 0.0])
    said = texts(sheet_drawing(sheets["mat"]).svg())
    assert "a: ahead 500 ±5 mm" in said
    assert "b: ahead -500 mm, behind the origin" in said
    assert "left -1500 mm, to the car's right" in said


def test_free_room_is_drawn_to_scale(sheets):
    room = replace(sheets["camera-low"].clearance, beyond_mm=1000.0, sides_mm=300.0, between_mm=250.0)
    boxes = dict(clearance_boxes(scene_of(replace(sheets["camera-low"], clearance=room))))
    assert boxes["beyond"][:, 0].max() == pytest.approx(2700.0 + 2640.0 + 1000.0)
    assert np.ptp(boxes["between"], axis=0) == pytest.approx([2600.0, 500.0])
    assert abs(boxes["sides"][:, 1]).max() == pytest.approx(600.0 + 300.0)


def test_who_stands_at_the_same_time_is_drawn_pale(sheets):
    alone = sheet_drawing(sheets["camera-low"]).svg()
    both = sheet_drawing(sheets["camera-low"], [sheets["radar-rear-left"]]).svg()
    assert len(rings(both, "#c3c8ce")) > len(rings(alone, "#c3c8ce"))


def test_everything_stays_on_the_page(sheets):
    for sheet in sheets.placements:
        drawing = sheet_drawing(sheet)
        points = [point for shape in drawing.shapes for point in getattr(shape, "points", ())]
        x, y = np.array(points).T
        assert 0.0 <= x.min() <= x.max() <= drawing.width, sheet.name
        assert 0.0 <= y.min() <= y.max() <= drawing.height, sheet.name


def test_the_png_is_the_same_page(sheets):
    drawing = sheet_drawing(sheets["camera-low"])
    with Image.open(io.BytesIO(drawing.png())) as image:
        assert image.size == (drawing.width, drawing.height)


def test_a_hull_has_the_outermost_points_only():
    square = np.array([[0, 0], [2, 0], [2, 2], [0, 2], [1, 1], [1, 0]], dtype=float)
    assert hull(square) == [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)]


def test_a_mat_of_given_size_is_drawn_about_its_marks_and_called_on_the_floor(sheets):
    sized = replace(sheets["mat"], size=TargetSize(1200.0, 2400.0, 0.0))
    edges = mat_outline_mm(scene_of(sized))
    assert np.ptp(edges, axis=0) == pytest.approx([2400.0, 1200.0, 0.0])  # long along the line, wide across the car
    assert edges.mean(axis=0) == pytest.approx([2700.0, 0.0, 0.0])
    drawing = sheet_drawing(sized)
    dashed = [shape for shape in drawing.shapes if getattr(shape, "dash", None) and getattr(shape, "closed", False)]
    ring = np.array(dashed[0].points)
    (bar,) = [shape for shape in drawing.shapes if isinstance(shape, Line) and shape.width == 3.0 and not shape.closed]
    metre = bar.points[1][0] - bar.points[0][0]
    assert np.ptp(ring, axis=0) == pytest.approx([2.4 * metre, 1.2 * metre])
    title = texts(drawing.svg())[0]
    assert title == "mat: mat (mat), on the floor"
    assert mat_outline_mm(scene_of(sheets["mat"])).shape == (0, 3)
