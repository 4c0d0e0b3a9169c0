"""Frames out of a clip: from where something moves, evenly, the sharp ones; what cannot be used is refused in words."""

from __future__ import annotations

import tomllib

import cv2
import numpy as np
import pytest

from vision.clip import choose, read_clip, write_frame
from vision.errors import FileError, MeasurementError
from vision.photos import read_photo, side_file

WIDTH, HEIGHT = 640, 480
STILL = 20
SHIFTS = [0] * STILL + [12 * i for i in range(60)] + [12 * 59] * STILL


def wall() -> np.ndarray:
    """A long wall of squares as on boards, no two parts alike."""
    rng = np.random.default_rng(4)
    cells = rng.integers(0, 2, (HEIGHT // 40, 60)).astype(np.uint8) * 200 + 30
    return cv2.GaussianBlur(np.kron(cells, np.ones((40, 40), np.uint8)), (0, 0), 0.7)


def film(path, shifts, blurred=frozenset(), dark=False):
    """A clip that looks at the wall from `shifts` (px) on; frames in `blurred` are smeared along it."""
    picture = wall()
    video = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 30.0, (WIDTH, HEIGHT))
    assert video.isOpened()
    noise = np.random.default_rng(5)
    for number, shift in enumerate(shifts):
        frame = picture[:, shift : shift + WIDTH].astype(float)
        if number in blurred:
            frame = cv2.blur(frame, (15, 1))
        frame = np.clip((0.02 if dark else 1.0) * frame + noise.normal(0.0, 1.0, frame.shape), 0, 255).astype(np.uint8)
        video.write(cv2.cvtColor(frame, cv2.COLOR_GRAY2BGR))
    video.release()
    return path


@pytest.fixture(scope="module")
def rolled(tmp_path_factory):
    """Still for 20 frames, then 60 frames of motion of which three in four are smeared, then still again."""
    smeared = {STILL + i for i in range(60) if i % 4}
    return film(tmp_path_factory.mktemp("clip") / "left.avi", SHIFTS, smeared), smeared


def test_sharp_frames_evenly_over_what_moved(rolled):
    path, smeared = rolled
    clip = read_clip(path)
    assert (clip.width_px, clip.height_px, len(clip.moved)) == (WIDTH, HEIGHT, 100)
    assert clip.fps == pytest.approx(30.0)
    chosen, told = choose(clip, 6)
    assert told == []
    numbers = [frame.number for frame in chosen]
    assert not set(numbers) & smeared
    # One in each sixth of the way, the standing car before and after it among the first and the last; a part's edge is one
    # step off where the picture changes unevenly.
    assert all(part * 118 - 24 <= SHIFTS[number] <= (part + 1) * 118 + 24 for part, number in enumerate(numbers))
    assert all(frame.blur_px < 2.0 for frame in chosen)


def test_a_frame_is_a_photo_with_what_took_it_beside_it(rolled, tmp_path):
    clip = read_clip(rolled[0])
    frame = choose(clip, 4)[0][1]
    write_frame(frame, clip, tmp_path / "roll-1" / "left-1.png", "shop camera")
    photo = read_photo(tmp_path / "roll-1" / "left-1.png")
    assert (photo.width_px, photo.height_px, photo.meta.device) == (WIDTH, HEIGHT, "shop camera")
    side = tomllib.loads(side_file(tmp_path / "roll-1" / "left-1.png").read_text(encoding="utf-8"))
    assert side["mode"] == f"frame {frame.number} of left.avi"
    assert side["blur_px"] == pytest.approx(frame.blur_px, abs=0.01)


def test_parts_without_a_sharp_frame_are_told(tmp_path):
    shifts = [12 * i for i in range(60)]
    clip = read_clip(film(tmp_path / "shaken.avi", shifts, set(range(40, 60))))
    chosen, told = choose(clip, 6)
    assert len(chosen) == 4
    assert [words.split(":")[0] for words in told] == ["part 5 of 6", "part 6 of 6"]
    assert "blurred" in told[0]


def test_clips_that_cannot_be_used(tmp_path):
    with pytest.raises(FileError, match=r"none\.avi: no such file"):
        read_clip(tmp_path / "none.avi")
    (tmp_path / "text.avi").write_text("no video")
    with pytest.raises(FileError, match=r"text\.avi: cannot be read as a video"):
        read_clip(tmp_path / "text.avi")
    with pytest.raises(MeasurementError, match="nothing moves in this clip of 30 frames"):
        read_clip(film(tmp_path / "still.avi", [0] * 30))
    fast = read_clip(film(tmp_path / "fast.avi", [12 * i for i in range(40)], set(range(40))))
    with pytest.raises(MeasurementError, match=r"0 frames are sharp enough, at least 3 are needed \(blurred") as caught:
        choose(fast, 6)
    assert "roll more slowly" in caught.value.hint


def test_a_slow_roll_is_motion(tmp_path):
    clip = read_clip(film(tmp_path / "slow.avi", [i for i in range(120)]))
    chosen, _ = choose(clip, 4)
    assert [frame.number // 30 for frame in chosen] == pytest.approx([0, 1, 2, 3], abs=1)
    assert len({frame.number for frame in chosen}) == 4
