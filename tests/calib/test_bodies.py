"""What left-out sightings hint at, and the words for parts of the bay that are not tied."""

from __future__ import annotations

from calib.bodies import suspicions
from vision.sightings import Rejected


def test_a_board_that_fits_nowhere_is_suspect_itself():
    rejected = [Rejected(f"rest/{i}.jpg", "floor-3", "…", 6.0) for i in range(3)]
    used = [("rest/9.jpg", "floor-3"), ("rest/1.jpg", "floor-4")]
    (words,) = suspicions(rejected, used, {"rest/1.jpg": "rest"})
    assert words.startswith("floor-3: 3 of its 4 sightings do not fit the other boards: measure its check bars")


def test_a_wheel_board_elsewhere_in_one_photo_asks_for_the_folder():
    rejected = [Rejected("roll-3/q.jpg", "wheel-front-left@roll-3", "…", 900.0)]
    used = [(f"roll-3/{i}.jpg", "wheel-front-left@roll-3") for i in range(4)]
    (words,) = suspicions(rejected, used, {"roll-3/q.jpg": "roll-3"})
    assert words.startswith("roll-3/q.jpg: wheel-front-left is not where the other photos of roll-3 have it")


def test_a_floor_board_seen_elsewhere_in_one_photo_asks_for_a_second_print():
    rejected = [Rejected("rest/1.jpg", "floor-1", "…", 500.0)]
    (words,) = suspicions(rejected, [(f"rest/{i}.jpg", "floor-1") for i in range(6)], {"rest/1.jpg": "rest"})
    assert words.startswith("rest/1.jpg: floor-1 is not where the other photos have it")
    assert "another print of it, a screen or a mirror" in words


def test_a_single_slightly_wrong_sighting_hints_at_nothing():
    rejected = [Rejected("roll-3/q.jpg", "wheel-front-left@roll-3", "…", 5.0), Rejected("rest/1.jpg", "floor-1", "…", 5.0)]
    used = [(f"rest/{i}.jpg", "floor-1") for i in range(6)]
    assert suspicions(rejected, used, {"roll-3/q.jpg": "roll-3", "rest/1.jpg": "rest"}) == []
