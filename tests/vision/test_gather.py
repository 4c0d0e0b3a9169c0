"""Photos are looked at once: what is kept counts while content, boards, lens and prediction are the same, and no longer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import vision.gather
from tests.support.render_board import Scene, facing, render
from vision.boards import Board, BoardSet
from vision.camera import Camera, LensProfile
from vision.frames import Pose
from vision.gather import PhotoTask, SeenPhoto, gather, look_again, with_earlier_finds
from vision.kept import STILL_FOUND_PX, STILL_NOTHING_PX, keep
from vision.photos import side_file

CAMERA = Camera(640, 480, 620.0, 622.0, 322.0, 236.0, np.array([-0.12, 0.06, 0.001, -0.0005]))
PROFILE = LensProfile("shop", CAMERA, np.zeros((12, 12)))
WHEEL = Board("wheel", 6, 4, 42.0, 31.5, "DICT_APRILTAG_36h11", 20)
FLOOR = Board("floor", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 60)
BOARDS = BoardSet((WHEEL, FLOOR))
WHEEL_POSE = facing(WHEEL, CAMERA, z_mm=700, tilt_deg=30, at=(-0.4, -0.3))
# steep and small: no marker can be read, a prediction is needed
SMALL_POSE = facing(FLOOR, CAMERA, z_mm=2400, tilt_deg=62, at=(0.5, 0.4))


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    return render(Scene(CAMERA, ((WHEEL, WHEEL_POSE), (FLOOR, SMALL_POSE))), 3)


@pytest.fixture
def photo(tmp_path: Path, picture: np.ndarray) -> Path:
    path = tmp_path / "one.png"
    cv2.imwrite(str(path), picture)
    return path


@pytest.fixture
def cache(tmp_path: Path) -> Path:
    return tmp_path / "kept"


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the looks really taken."""
    taken: list[str] = []
    first, second = vision.gather.sightings_in, vision.gather.detect_boards

    def counted_first(photo, boards, camera):
        taken.append("first")
        return first(photo, boards, camera)

    def counted_second(gray, boards, camera, *, predicted, read):
        taken.append("second " + " ".join(sorted(predicted)))
        return second(gray, boards, camera, predicted=predicted, read=read)

    monkeypatch.setattr(vision.gather, "sightings_in", counted_first)
    monkeypatch.setattr(vision.gather, "detect_boards", counted_second)
    return taken


def seen(photo: Path, cache: Path, boards: BoardSet = BOARDS, profile: LensProfile = PROFILE) -> SeenPhoto:
    return gather([PhotoTask("p", photo, (profile,))], boards, cache)[0]


def moved_px(pose: Pose, shift_px: float) -> Pose:
    """The prediction, so many pixels further right."""
    step = np.array([shift_px / CAMERA.fx_px * pose.translation_mm[2], 0.0, 0.0])
    return Pose.from_rt("cam", pose.source, pose.rotation, pose.translation_mm + step)


def again(one: SeenPhoto, cache: Path, poses: dict[str, Pose], boards: BoardSet = BOARDS) -> SeenPhoto:
    """A second look whose outcome is kept."""
    after, new = look_again([(one, CAMERA, poses)], boards, cache)
    keep(new)
    return after[0]


def same(a: SeenPhoto, b: SeenPhoto) -> bool:
    """Covariances go through a file that holds one of their two equal terms."""
    pairs = list(zip(a.sightings.found, b.sightings.found, strict=True))
    alike = all(x.board == y.board and np.array_equal(x.px, y.px) for x, y in pairs)
    return alike and all(np.allclose(x.cov_px, y.cov_px, rtol=1e-9) for x, y in pairs)


def test_a_photo_is_looked_at_once(photo: Path, cache: Path, looks: list[str]) -> None:
    before, after = seen(photo, cache), seen(photo, cache)
    assert looks == ["first"]
    assert [s.board for s in after.sightings.found] == ["wheel"]
    assert same(before, after)
    assert (after.lens, after.sha256, after.key, after.name) == ("shop", before.sha256, before.key, "p")


def test_the_same_content_elsewhere_is_the_same_photo(photo: Path, cache: Path, looks: list[str]) -> None:
    seen(photo, cache)
    seen(photo.rename(photo.with_name("other.png")), cache)
    assert looks == ["first"]


@pytest.mark.parametrize("what", ["photo", "side file", "board", "camera", "profile's name", "kept file"])
def test_whatever_the_look_rests_on_has_it_taken_again(photo: Path, cache: Path, looks: list[str], what: str) -> None:
    one = seen(photo, cache)
    again(one, cache, {"floor": SMALL_POSE})
    boards, profile = BOARDS, PROFILE
    if what == "photo":
        cv2.imwrite(str(photo), cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE) // 2)
    elif what == "side file":
        side_file(photo).write_text('schema = "capture/1"\n', encoding="utf-8")
    elif what == "board":
        boards = BoardSet((WHEEL, replace(FLOOR, square_mm=46.1)))
    elif what == "camera":
        profile = replace(PROFILE, camera=replace(CAMERA, fx_px=620.001))
    elif what == "profile's name":
        profile = replace(PROFILE, name="other")
    else:
        for path in cache.iterdir():
            path.write_text(path.read_text(encoding="utf-8")[:100], encoding="utf-8")
    after = seen(photo, cache, boards, profile)
    again(after, cache, {"floor": SMALL_POSE}, boards)
    assert looks == ["first", "second floor"] * 2
    assert after.lens == profile.name


def test_nothing_is_kept_when_a_photo_cannot_be_used(photo: Path, cache: Path) -> None:
    broken = photo.with_name("broken.png")
    broken.write_bytes(b"not a picture")
    with pytest.raises(Exception, match="broken.png: not an image"):
        gather([PhotoTask("p", photo, (PROFILE,)), PhotoTask("q", broken, (PROFILE,))], BOARDS, cache)
    assert not cache.exists()


def test_a_second_look_is_taken_once(photo: Path, cache: Path, looks: list[str]) -> None:
    one = seen(photo, cache)
    before = again(one, cache, {"floor": SMALL_POSE})
    after = again(seen(photo, cache), cache, {"floor": moved_px(SMALL_POSE, 0.8 * STILL_FOUND_PX)})
    assert looks == ["first", "second floor"]
    assert [s.board for s in after.sightings.found] == ["wheel", "floor"]
    assert same(before, after)


def test_a_second_look_that_found_nothing_counts_as_well(photo: Path, cache: Path, looks: list[str]) -> None:
    elsewhere = facing(FLOOR, CAMERA, z_mm=1500, tilt_deg=20, at=(-0.5, 0.5))
    one = seen(photo, cache)
    assert again(one, cache, {"floor": elsewhere}) is one
    assert again(one, cache, {"floor": moved_px(elsewhere, 0.8 * STILL_NOTHING_PX)}) is one
    assert looks == ["first", "second floor"]
    assert again(one, cache, {"floor": moved_px(elsewhere, 1.2 * STILL_NOTHING_PX)}) is one
    assert looks == ["first", "second floor", "second floor"]


def test_what_a_second_look_found_is_had_without_looking(photo: Path, cache: Path, looks: list[str]) -> None:
    one = seen(photo, cache)
    assert with_earlier_finds([one], BOARDS, cache) == [one]
    found = again(one, cache, {"floor": SMALL_POSE})
    after = with_earlier_finds([seen(photo, cache)], BOARDS, cache)[0]
    assert looks == ["first", "second floor"]
    assert [s.board for s in after.sightings.found] == ["wheel", "floor"]
    assert same(found, after)


@pytest.mark.parametrize("shift_px", [1.2 * STILL_FOUND_PX, 40.0])
def test_a_board_predicted_elsewhere_is_looked_for_again(photo: Path, cache: Path, looks: list[str], shift_px: float) -> None:
    one = seen(photo, cache)
    again(one, cache, {"floor": SMALL_POSE})
    again(one, cache, {"floor": moved_px(SMALL_POSE, shift_px)})
    assert looks == ["first", "second floor", "second floor"]


def test_only_the_board_not_looked_for_yet_is_looked_for(photo: Path, cache: Path, looks: list[str]) -> None:
    blank = BoardSet((*BOARDS, Board("stand", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 100)))
    one = seen(photo, cache, blank)
    again(one, cache, {"floor": SMALL_POSE}, blank)
    nowhere = Pose("cam", "stand", facing(FLOOR, CAMERA, z_mm=1500, tilt_deg=20, at=(-0.5, 0.5)).transform)
    after = again(one, cache, {"floor": SMALL_POSE, "stand": nowhere}, blank)
    assert looks == ["first", "second floor", "second stand"]
    assert [s.board for s in after.sightings.found] == ["wheel", "floor"]


def test_keeping_stopped_in_the_middle_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old, other = tmp_path / "old.json", tmp_path / "other.json"
    keep({old: "before"})
    real = Path.replace
    count = 0

    def stopped(self: Path, target: Path) -> Path:
        nonlocal count
        count += 1
        if count == 2:
            raise KeyboardInterrupt
        return real(self, target)

    monkeypatch.setattr(Path, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        keep({old: "after", other: "new"})
    assert old.read_text(encoding="utf-8") == "before"
    assert [path.name for path in tmp_path.iterdir()] == ["old.json"]
