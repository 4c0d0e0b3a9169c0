"""The renderer's geometry: true to 0.01 px, and the right thing in front."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from synthetic_images.bay import Bay, Bend
from synthetic_images.corners import shot_boards, true_px, visible_corners
from synthetic_images.imaging import Imaging
from synthetic_images.print_picture import INK, PAPER
from synthetic_images.render import draw_board, render_photo, render_scene
from synthetic_images.rigid import apply, inverse, rigid, rot_x, rot_y, rot_z
from synthetic_images.shot import Shot
from synthetic_images.shots import epoch_shots
from synthetic_images.true_camera import TrueCamera, webcam
from tests.support.invented_bay import plain_bay, some_boards
from vision.boards import Board, BoardSet, PrintScale

BOARD = "wheel-front-left"
PLAIN = TrueCamera(320, 240, 400.0, 400.0, 159.5, 119.5)
BENT_LENS = TrueCamera(320, 240, 402.0, 398.5, 157.2, 121.9, -0.18, 0.09, 0.001, -0.0008, -0.02)
INVERSE_DEPTH_OF_NOTHING = 0.0


def held_board(
    distance_mm: float, tilt_deg: float, towards_deg: float, turn_deg: float, aside_mm: tuple[float, float]
) -> np.ndarray:
    towards = math.radians(towards_deg)
    rotation = rot_z(towards) @ rot_y(math.radians(tilt_deg)) @ rot_z(math.radians(turn_deg) - towards)
    centre = some_boards()[BOARD].centre_mm
    return rigid(rotation, np.array([*aside_mm, distance_mm]) - rotation @ centre)


def board_alone(bay: Bay, camera: TrueCamera, cam_from_board: np.ndarray) -> np.ndarray:
    """The board on grey, as light on the sensor; brightness divided out, shape (h, w)."""
    scene = np.full((camera.height_px, camera.width_px, 3), 0.5, np.float32)
    nearest = np.full(scene.shape[:2], INVERSE_DEPTH_OF_NOTHING, np.float32)
    draw_board(scene, nearest, bay, camera, BOARD, cam_from_board, np.eye(4))
    return scene[..., 0]


def pattern_at(bay: Bay, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Reflectance of the print at true board coordinates inside the pattern, looked up cell by cell."""
    board = bay.boards[BOARD]
    x, y = x_mm / (board.square_mm * board.scale.x), y_mm / (board.square_mm * board.scale.y)  # in squares
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    out = np.where((column + row) % 2 == 0, INK, PAPER)  # OpenCV's layout since 4.6: black first
    side = board.marker_mm / board.square_mm
    bits = board.marker_bits()
    for number, (c, r) in enumerate(board.marker_cells()):
        u, v = (x - c - (1 - side) / 2) / side, (y - r - (1 - side) / 2) / side
        inside = (u >= 0) & (u < 1) & (v >= 0) & (v < 1)
        cells = len(bits[number])
        i, j = (v[inside] * cells).astype(int), (u[inside] * cells).astype(int)
        out[inside] = np.where(bits[number][i, j] > 0, PAPER, INK)
    return out


def brute_force(bay: Bay, camera: TrueCamera, cam_from_board: np.ndarray, window: tuple[slice, slice], fine: int) -> np.ndarray:
    """Mean over fine x fine exact rays a pixel; no shortcut of the renderer."""
    offsets = (np.arange(fine) + 0.5) / fine - 0.5
    rows = (np.arange(window[0].start, window[0].stop)[:, None] + offsets).ravel()
    columns = (np.arange(window[1].start, window[1].stop)[:, None] + offsets).ravel()
    ideal = camera.ideal(np.stack(np.meshgrid(columns, rows), axis=-1))
    rays = np.concatenate([ideal, np.ones((*ideal.shape[:2], 1))], axis=-1) @ cam_from_board[:3, :3]
    eye = inverse(cam_from_board)[:3, 3]
    x, y = (eye[k] - eye[2] * rays[..., k] / rays[..., 2] for k in (0, 1))
    values = pattern_at(bay, x, y)
    return values.reshape(len(rows) // fine, fine, len(columns) // fine, fine).mean(axis=(1, 3))


def window_in_pattern(camera: TrueCamera, bay: Bay, cam_from_board: np.ndarray) -> tuple[slice, slice]:
    """A rectangle of the picture well inside the pattern."""
    board = bay.boards[BOARD]
    middle = camera.project(apply(cam_from_board, board.centre_mm[None]))[0]
    corners = camera.project(apply(cam_from_board, board.corners_mm()))
    reach = min(45.0, 0.42 * float(np.linalg.norm(corners - middle, axis=1).min() + np.ptp(corners, axis=0).min() / 2))
    low, high = np.floor(middle - reach).astype(int), np.ceil(middle + reach).astype(int)
    return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))


VIEWS = [
    held_board(420.0, 0.0, 0.0, 2.0, (0.3, -0.4)),
    held_board(450.0, 35.0, 40.0, 12.0, (15.13, 10.21)),
    held_board(520.0, 55.0, 200.0, -33.0, (-20.4, 7.7)),
    held_board(700.0, 60.0, 290.0, 95.0, (40.6, -30.2)),
]


@pytest.mark.parametrize("camera", [PLAIN, BENT_LENS], ids=["plain", "distorted"])
@pytest.mark.parametrize("view", range(len(VIEWS)))
def test_rendered_board_lies_within_a_hundredth_of_a_pixel_of_the_truth(camera, view):
    bay = plain_bay()
    bay = replace(bay, boards=replace_scale(bay, 1.004, 0.997))
    cam_from_board = VIEWS[view]
    window = window_in_pattern(camera, bay, cam_from_board)
    truth = brute_force(bay, camera, cam_from_board, window, 16)
    picture = board_alone(bay, camera, cam_from_board)
    brightness = float(picture[window].mean() / truth.mean())
    picture = picture / brightness
    # the shift that explains the difference best: least squares on the truth's gradient
    gy, gx = np.gradient(truth)
    inner = (slice(1, -1), slice(1, -1))
    design = np.column_stack([gx[inner].ravel(), gy[inner].ravel(), truth[inner].ravel()])
    difference = (truth - picture[window])[inner].ravel()
    shift_px = np.linalg.lstsq(design, difference, rcond=None)[0][:2]
    assert np.abs(shift_px).max() < 0.003
    assert np.sqrt(np.mean(difference**2)) < 0.02 * (PAPER - INK)


def replace_scale(bay: Bay, x: float, y: float) -> BoardSet:
    return BoardSet(tuple(replace(board, scale=PrintScale(x, y)) for board in bay.boards))


@pytest.mark.parametrize("phase", [0.0, 0.13, 0.25, 0.5, 0.81])
@pytest.mark.parametrize("turn_deg", [0.4, 90.4, 7.0])
@pytest.mark.parametrize("camera", [PLAIN, BENT_LENS], ids=["plain", "distorted"])
def test_edges_of_squares_stand_where_the_projection_says(camera, turn_deg, phase):
    """Row by row, the light summed over an edge tells where it is: black count = position, exact for area-true pixels."""
    bay = plain_bay()
    cam_from_board = held_board(300.0, 25.0, 60.0, turn_deg, (phase * 300.0 / 400.0, 0.37 * phase))
    picture = board_alone(bay, camera, cam_from_board)
    board = bay.boards[BOARD]
    square = board.square_mm
    errors = []
    for column, row in board.black_squares():  # towards the next square: its white rim of 4.5 mm, then the marker
        if not (0 < column < board.columns - 1 and 0 < row < board.rows - 1):
            continue
        ends = [[(column + 1) * square, (row + t) * square, 0.0] for t in np.linspace(0.2, 0.8, 61)]
        edge = camera.project(apply(cam_from_board, ends))
        if edge.min() < 8 or (edge.max(axis=0) > np.array([camera.width_px, camera.height_px]) - 9).any():
            continue
        across_rows = abs(edge[-1] - edge[0])[1] > abs(edge[-1] - edge[0])[0]
        errors += edge_errors(picture if across_rows else picture.T, edge if across_rows else edge[:, ::-1])
    assert len(errors) > 40  # rows
    assert abs(float(np.mean(errors))) < 0.003
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.01


def edge_errors(picture: np.ndarray, edge: np.ndarray) -> list[float]:
    """Measured minus true position along each row that the edge (n, 2) crosses, px."""
    order = np.argsort(edge[:, 1])
    errors = []
    for row in range(math.ceil(edge[:, 1].min() + 1), math.floor(edge[:, 1].max() - 1)):
        true = float(np.interp(row, edge[order, 1], edge[order, 0]))
        start, stop = int(np.rint(true)) - 3, int(np.rint(true)) + 4
        line = picture[row, start:stop].astype(float)
        dark_first = line[0] < line[-1]
        low, high = min(line[0], line[-1]), max(line[0], line[-1])
        if high - low < 0.4:
            continue
        dark = float(((high - line) / (high - low)).sum())
        errors.append((start - 0.5 + dark if dark_first else stop - 0.5 - dark) - true)
    return errors


def test_pixel_zero_is_the_centre_of_the_first_pixel():
    """Square-on but for a hair of roll: an edge at x = 10.25 px leaves three quarters of pixel 10 on its first side."""
    bay = plain_bay()
    board = bay.boards[BOARD]
    tiny_roll = rot_z(1e-6)  # never exactly square-on
    camera = TrueCamera(64, 64, 100.0, 100.0, 0.0, 0.0)
    distance = 360.0  # 36 mm squares are 10 px
    cam_from_board = rigid(tiny_roll, [(0.25 - 0.0) * 3.6, -18.0, distance])  # square (0, 0) ends at 10.25 px, rows -5 to 5
    assert camera.project(apply(cam_from_board, [[36.0, 18.0, 0.0]]))[0] == pytest.approx([10.25, 0.0], abs=1e-4)
    line = board_alone(bay, camera, cam_from_board)[0]
    black, white = line[5], line[11]  # white rim of the next square is 1.25 px wide: pixel 11 covers 10.5 to 11.5
    assert (line[10] - black) / (white - black) == pytest.approx(0.25, abs=0.01)
    assert black < 0.1 * white
    assert board.square_mm == 36.0


@pytest.mark.parametrize("camera", [webcam()], ids=["webcam"])
def test_an_independent_corner_finder_finds_the_true_corners_in_a_photo(camera):
    rng = np.random.default_rng(8)
    bay = plain_bay()
    shot = Shot("01", "lens", "", np.eye(4), BOARD, held_board(420.0, 35.0, 30.0, 20.0, (20.0, -10.0)))
    photo = render_photo(bay, camera, shot, rng, Imaging(read_noise=0.5, shot_noise=0.8))
    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    true = true_px(bay, camera, shot, BOARD)
    start = (true + rng.uniform(-0.5, 0.5, true.shape)).astype(np.float32).reshape(-1, 1, 2)
    found = cv2.cornerSubPix(grey, start, (7, 7), (-1, -1), (3, 60, 1e-4)).reshape(-1, 2)
    errors = found - true
    assert np.abs(errors.mean(axis=0)).max() < 0.02  # scatter 0.04 px over 24 corners: 2 sigma of the mean
    assert np.sqrt(np.mean(errors**2)) < 0.06


def test_markers_are_read_in_a_bay_photo():
    rng = np.random.default_rng(2)
    bay, camera = plain_bay(), webcam()
    parameters = cv2.aruco.DetectorParameters()
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.minMarkerPerimeterRate = 0.01
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), parameters)
    wanted, read = set(), set()
    for shot in epoch_shots(bay, "rest", rng)[1:3]:
        ids = detector.detectMarkers(cv2.cvtColor(render_photo(bay, camera, shot, rng), cv2.COLOR_BGR2GRAY))[1]
        for corners in visible_corners(bay, camera, shot, min_square_px=22.0):
            if len(corners.corner_ids) == bay.boards[corners.board].corner_count:
                wanted |= {(shot.name, marker) for marker in bay.boards[corners.board].marker_ids}
        read |= {(shot.name, int(marker)) for marker in ids.ravel()}
    assert len(wanted) >= 27  # a wheel board and a floor board at least
    assert len(wanted & read) >= 0.75 * len(wanted)  # one pass of a general finder; the product's own looks twice


def test_what_is_visible_is_drawn_and_what_is_hidden_is_not():
    """Look into the middle of every square beside a corner: ink and paper where visible, something else where the car is."""
    bay, camera = plain_bay(), webcam()
    hidden_boards = 0
    for shot in epoch_shots(bay, "rest", np.random.default_rng(3))[:8:4]:
        scene = render_scene(bay, camera, shot).mean(axis=2)
        visible = {c.board: c for c in visible_corners(bay, camera, shot, min_square_px=10.0)}
        for name, pose in shot_boards(bay, shot).items():
            board = bay.boards[name]
            cam_from_board = inverse(shot.bay_from_cam) @ pose
            black = np.array(
                [[(c + 0.5) * board.square_mm, (r + 0.5) * board.square_mm, 0.0] for c, r in board.black_squares()]
            )
            in_cam = apply(cam_from_board, black)
            if in_cam[:, 2].min() < 100 or cam_from_board[:3, 2] @ in_cam[0] <= 0:
                continue
            px = np.rint(camera.project(in_cam)).astype(int)
            inside = ((px > 3) & (px < [camera.width_px - 4, camera.height_px - 4])).all(axis=1)
            if inside.sum() < len(px) or np.abs(in_cam[:, :2] / in_cam[:, 2:]).max() > 0.8:
                continue
            dark = scene[px[:, 1], px[:, 0]] < 0.07
            if name in visible and len(visible[name].corner_ids) == board.corner_count:
                assert dark.all(), f"{name} in {shot.name} is visible but not drawn"
            elif name not in visible and not any_corner_in_sight(bay, camera, shot, name):
                hidden_boards += 1
                assert not pattern_is_there(scene, camera, cam_from_board, board), (
                    f"{name} in {shot.name} shows through the car"
                )
    assert hidden_boards > 0


def any_corner_in_sight(bay: Bay, camera: TrueCamera, shot: Shot, name: str) -> bool:
    seen = visible_corners(bay, camera, shot, min_square_px=0.5, max_tilt_rad=math.pi / 2, min_corners=1)
    return name in [c.board for c in seen]


def pattern_is_there(scene: np.ndarray, camera: TrueCamera, cam_from_board: np.ndarray, board: Board) -> bool:
    """Paper round the pattern is much brighter than any car or floor in shadow."""
    rim = np.array([[t * board.size_mm[0], -0.2 * board.square_mm, 0.0] for t in np.linspace(0.1, 0.9, 9)])
    px = np.rint(camera.project(apply(cam_from_board, rim))).astype(int)
    return bool((scene[px[:, 1], px[:, 0]] > 0.55).any())


def test_a_bent_board_is_drawn_bent():
    bay = plain_bay()
    bent = replace(bay, bends={BOARD: Bend(3.0, 0.0)})
    camera = webcam()
    shot = Shot("01", "lens", "", np.eye(4), BOARD, held_board(420.0, 40.0, 20.0, 10.0, (0.0, 0.0)))
    true, flat = true_px(bent, camera, shot, BOARD), true_px(bay, camera, shot, BOARD)
    assert np.abs(true - flat).max() > 2.5  # without the bend the test below would fail by pixels
    scene = render_scene(bent, camera, shot)
    grey = (scene.mean(axis=2) * 255).astype(np.uint8)
    found = cv2.cornerSubPix(grey, true.astype(np.float32).reshape(-1, 1, 2), (9, 9), (-1, -1), (3, 60, 1e-4)).reshape(-1, 2)
    assert np.sqrt(np.mean((found - true) ** 2)) < 0.04


def test_the_same_shot_renders_the_same_light_and_other_noise():
    bay, camera = plain_bay(), TrueCamera(640, 360, 467.0, 467.0, 320.0, 180.0)
    shot = epoch_shots(bay, "rest", np.random.default_rng(3))[0]
    one, two = (render_photo(bay, camera, shot, np.random.default_rng(seed)) for seed in (1, 2))
    again = render_photo(bay, camera, shot, np.random.default_rng(1))
    np.testing.assert_array_equal(one, again)
    assert (one != two).mean() > 0.5


def test_turning_the_camera_with_the_board_changes_nothing():
    bay = plain_bay()
    pose = held_board(420.0, 35.0, 30.0, 20.0, (20.0, -10.0))
    turned = Shot("01", "lens", "", rigid(rot_x(0.4) @ rot_z(0.2), [100.0, 50.0, 900.0]), BOARD, pose)
    straight = Shot("01", "lens", "", np.eye(4), BOARD, pose)
    np.testing.assert_allclose(true_px(bay, PLAIN, turned, BOARD), true_px(bay, PLAIN, straight, BOARD), atol=1e-9)
