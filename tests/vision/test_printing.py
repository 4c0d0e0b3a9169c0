import shutil
import subprocess

import cv2
import numpy as np
import pytest

from tests.support.pdf import DrawnPage, read_pages
from vision.boards import Board
from vision.boards_io import starter_boards
from vision.errors import BoardError
from vision.print_layout import PAPERS_MM, fitting_papers, page_layout
from vision.print_words import place_words
from vision.printing import print_boards

TAGS = "DICT_APRILTAG_36h11"
SIZES = {
    "even": Board("even", 6, 4, 42.0, 31.5, TAGS, 3),
    "edge": Board("edge", 5, 4, 46.0, 34.5, TAGS, 160),
    "marker-in-the-middle": Board("marker-in-the-middle", 7, 5, 36.0, 27.0, TAGS, 40),
    "tall": Board("tall", 4, 6, 40.0, 30.0, "DICT_5X5_250", 10),
    "legacy": Board("legacy", 6, 4, 40.0, 30.0, "DICT_4X4_50", 0, legacy=True),
}


def drawn(board: Board, paper: str, tmp_path) -> DrawnPage:
    path = tmp_path / "board.pdf"
    print_boards([board], paper, path)
    (page,) = read_pages(path.read_bytes())
    return page


def pattern_of(page: DrawnPage) -> list[np.ndarray]:
    return next(loops for gray, loops in page.fills if gray == 0.0 and len(loops) > 4)


def raster(page: DrawnPage, px_per_mm: float) -> np.ndarray:
    """The page as pixels, each the mean of 4 x 4 samples."""
    fine = 4 * px_per_mm
    image = np.full((4 * round(page.height_mm * px_per_mm), 4 * round(page.width_mm * px_per_mm)), 255, np.uint8)
    for gray, loops in page.fills:
        # The first pixel's centre lies half a pixel inside the page.
        shifted = [np.round((loop * fine - 0.5) * 256).astype(np.int32) for loop in loops]
        cv2.fillPoly(image, shifted, int(255 * gray), cv2.LINE_8, shift=8)
    return cv2.resize(image, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)


def find_board(image: np.ndarray, board: Board) -> tuple[np.ndarray, np.ndarray, list[int]]:
    corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(board.cv_board()).detectBoard(image)
    return np.asarray(corners).reshape(-1, 2), np.asarray(ids).ravel(), sorted(int(i) for i in np.asarray(marker_ids).ravel())


@pytest.mark.parametrize("board", SIZES.values(), ids=SIZES)
def test_squares_and_markers_have_their_true_size(board, tmp_path):
    loops = pattern_of(drawn(board, "a4", tmp_path))
    sides = [float(np.ptp(loop[:, 0])) for loop in loops]
    whole = [loop for loop in loops if len(loop) == 4 and abs(np.ptp(loop[:, 0]) - board.square_mm) < 0.01]
    assert len(whole) == board.columns * board.rows - board.marker_count
    for loop in whole:
        assert np.ptp(loop[:, 1]) == pytest.approx(board.square_mm, abs=0.01)
    assert sum(abs(side - board.marker_mm) < 0.01 for side in sides) == board.marker_count
    everything = np.concatenate(loops)
    assert np.ptp(everything[:, 0]) == pytest.approx(board.columns * board.square_mm, abs=0.01)
    assert np.ptp(everything[:, 1]) == pytest.approx(board.rows * board.square_mm, abs=0.01)


@pytest.mark.parametrize("board", SIZES.values(), ids=SIZES)
def test_the_page_reads_as_the_board_it_says_it_is(board, tmp_path):
    page, px_per_mm = drawn(board, "a4", tmp_path), 4.0
    px, ids, marker_ids = find_board(raster(page, px_per_mm), board)
    assert marker_ids == list(board.marker_ids)
    assert list(ids) == list(range(board.corner_count))
    everything = np.concatenate(pattern_of(page))
    expected = (board.corners_mm()[:, :2] + everything.min(axis=0)) * px_per_mm - 0.5
    # Corner refinement on such pictures is good to some 0.1 px (0.025 mm here).
    assert np.abs(px - expected[ids]).max() < 0.15


def test_the_size_is_nominal_whatever_an_earlier_print_measured(tmp_path):
    from dataclasses import replace

    from vision.boards import PrintScale

    measured = replace(SIZES["edge"], scale=PrintScale(0.98, 1.02, 0.001))
    loops = pattern_of(drawn(measured, "a4", tmp_path))
    assert np.ptp(np.concatenate(loops), axis=0) == pytest.approx([230.0, 184.0], abs=0.01)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_check_bars_are_140_mm_between_tick_middles(paper, tmp_path):
    page = drawn(SIZES["edge"], paper, tmp_path)
    assert (page.width_mm, page.height_mm) == pytest.approx(PAPERS_MM[paper], abs=0.01)
    spans = [np.ptp(line, axis=0) for line in page.strokes]
    assert sum(np.allclose(span, (140.0, 0.0), atol=0.01) for span in spans) == 1
    assert sum(np.allclose(span, (0.0, 140.0), atol=0.01) for span in spans) == 1
    ticks = [line.mean(axis=0) for line, span in zip(page.strokes, spans, strict=True) if span.max() == pytest.approx(3.0)]
    assert len(ticks) == 4
    assert np.linalg.norm(ticks[1] - ticks[0]) == pytest.approx(140.0, abs=0.01)
    assert np.linalg.norm(ticks[3] - ticks[2]) == pytest.approx(140.0, abs=0.01)


@pytest.mark.parametrize("board", SIZES.values(), ids=SIZES)
def test_four_thin_lines_point_at_the_centre(board, tmp_path):
    page = drawn(board, "a4", tmp_path)
    everything = np.concatenate(pattern_of(page))
    centre = everything.min(axis=0) + board.centre_mm[:2]
    lines = [line for line in page.strokes if np.ptp(line, axis=0).max() == pytest.approx(4.0, abs=0.01)]
    assert len(lines) == 4
    for line in lines:
        axis = int(np.argmin(np.ptp(line, axis=0)))
        assert line[:, axis] == pytest.approx([centre[axis]] * 2, abs=0.01)
    low, high = everything.min(axis=0), everything.max(axis=0)
    outside = [bool(np.any(line.mean(axis=0) < low) or np.any(line.mean(axis=0) > high)) for line in lines]
    assert all(outside)


def test_a_centre_dot_is_drawn_only_where_the_centre_is_no_corner(tmp_path):
    def dots(board: Board) -> list[np.ndarray]:
        page = drawn(board, "a4", tmp_path)
        centre = np.concatenate(pattern_of(page)).min(axis=0) + board.centre_mm[:2]
        small = [loop for _, loops in page.fills for loop in loops if np.ptp(loop[:, 0]) <= 2.01]
        return [loop for loop in small if np.allclose(loop.min(axis=0) / 2 + loop.max(axis=0) / 2, centre, atol=0.01)]

    assert len(dots(SIZES["even"])) == 0
    assert len(dots(SIZES["edge"])) == 2
    assert len(dots(SIZES["marker-in-the-middle"])) == 2


def test_the_page_says_what_a_technician_must_know(tmp_path):
    page = drawn(SIZES["edge"], "letter", tmp_path)
    words = " ".join(page.texts)
    for needed in (
        "edge",
        "ids 160 to 169",
        "TOP",
        "100 %",
        "actual size",
        "X bar: 140 mm",
        "Y bar: 140 mm",
        "do not laminate",
    ):
        assert needed in words
    assert "the small dot in the middle" in " ".join(words.split())


@pytest.mark.parametrize(("variant", "paper"), [("a4", "a4"), ("a4", "letter"), ("a3", "a3"), ("a3", "tabloid")])
def test_nothing_overlaps_on_a_starter_page(variant, paper):
    for board in starter_boards(variant):
        page = page_layout(board, paper)
        words = place_words(board, page)
        assert words.size_pt >= 5.0, board.name
        white = 5.0
        for box in (words.title, words.box):
            assert box.left >= white
            assert box.top >= white
            assert box.right <= page.width - white + 1e-9
            assert box.bottom <= page.height - white + 1e-9
            clear_below = box.top >= page.pattern.bottom + white - 1e-9
            clear_beside = box.left >= page.pattern.right + white - 1e-9
            assert clear_below or clear_beside, board.name
            crosses_x_bar = box.left < page.x_bar.x1 and box.bottom > page.x_bar.y0 - 1.5
            crosses_y_bar = box.left < page.y_bar.x0 + 1.5 and box.top < page.y_bar.y1
            assert not crosses_x_bar, board.name
            assert not crosses_y_bar, board.name
        a, b = words.title, words.box
        assert a.right <= b.left or b.right <= a.left or a.bottom <= b.top or b.bottom <= a.top, board.name
        assert min(page.pattern.left, page.width - page.pattern.right, page.pattern.top) >= white
        assert page.y_bar.y1 <= page.x_bar.y0 - 1.5


def test_a_board_too_large_names_the_paper_that_fits(tmp_path):
    lens = starter_boards("a3")["lens-1"]
    with pytest.raises(BoardError, match=r"lens-1 \(387 x 258 mm\) .* does not fit on a4 paper") as caught:
        print_boards([lens], "a4", tmp_path / "no.pdf")
    assert "--paper a3" in caught.value.hint
    assert not (tmp_path / "no.pdf").exists()
    assert fitting_papers(lens) == ["a3", "tabloid"]
    with pytest.raises(BoardError, match="does not fit") as caught:
        page_layout(Board("giant", 10, 10, 60.0, 45.0, TAGS), "a3")
    assert "smaller squares" in caught.value.hint
    with pytest.raises(BoardError, match="unknown paper 'a5'"):
        page_layout(lens, "a5")


def test_a_plain_chessboard_prints_one_square_more_than_inner_corners(tmp_path):
    board = Board("plain", 9, 6, 25.0)
    page = drawn(board, "a4", tmp_path)
    assert np.ptp(np.concatenate(pattern_of(page)), axis=0) == pytest.approx([250.0, 175.0], abs=0.01)
    found, corners = cv2.findChessboardCornersSB(raster(page, 3.0), (9, 6))
    assert found
    assert np.ptp(corners.reshape(-1, 2), axis=0) / 3.0 == pytest.approx([200.0, 125.0], abs=0.2)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm (poppler) is not installed")
@pytest.mark.parametrize(("variant", "paper"), [("a4", "a4"), ("a4", "letter"), ("a3", "a3"), ("a3", "tabloid")])
def test_pages_as_a_pdf_viewer_shows_them_read_as_their_boards(variant, paper, tmp_path):
    boards = list(starter_boards(variant))[4:8]
    print_boards(boards, paper, tmp_path / "boards.pdf")
    subprocess.run(["pdftoppm", "-r", "150", "-gray", "boards.pdf", "page"], cwd=tmp_path, check=True)
    for board, path in zip(boards, sorted(tmp_path.glob("page*.pgm")), strict=True):
        image = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        px, ids, marker_ids = find_board(image, board)
        assert marker_ids == list(board.marker_ids)
        assert len(ids) == board.corner_count
        mm = px * 25.4 / 150
        gaps = np.linalg.norm(mm[1 : board.columns - 1] - mm[: board.columns - 2], axis=1)
        # Half a pixel: the viewer draws edges to whole subpixels. The true size is tested on the drawing itself.
        assert gaps == pytest.approx(board.square_mm, abs=0.5 * 25.4 / 150)
