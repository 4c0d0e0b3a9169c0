"""A clip of the rolling car: boards are found in the frames taken from it, and one-photo epochs give the car's figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest

from cli.demo_bay import IMAGING, DemoBay
from synthetic_images.bay import Bay, Epoch
from synthetic_images.render import render_photo
from synthetic_images.rigid import look_at
from synthetic_images.shot import Shot
from tests.support import figures as fg
from tests.support.simulated import car, scene, scene_of, simulate, surveyed, true_lens
from vision.camera import LensProfile
from vision.clip import choose, read_clip, write_frame
from vision.gather import PhotoTask, gather

AWAY_MM, EYES_MM = 3400.0, 1300.0
TURN_RAD = math.radians(270.0)


def rolling(bay: Bay, count: int, first: int, rng: np.random.Generator, turn_rad: float = TURN_RAD) -> list[Epoch]:
    """The car at each frame of a clip, as it comes to rest over so much of a turn; it heaves and wanders a little."""
    out = []
    for i in range(count):
        travel = -bay.wheels[0].radius_mm * turn_rad * (count - i) / count
        out.append(
            Epoch(
                f"roll-{first + i}",
                travel_mm=travel,
                slip_mm=float(rng.normal(0, 1.0)),
                heave_mm=float(rng.normal(0, 0.5)),
                yaw_rad=math.radians(float(rng.normal(0, 0.05))),
                pitch_rad=math.radians(float(rng.normal(0, 0.015))),
                roll_rad=math.radians(float(rng.normal(0, 0.015))),
                steer_rad=math.radians(float(rng.normal(0, 0.1))),
            )
        )
    return out


def frames_of(bay: Bay, epochs: Sequence[Epoch], side: float) -> list[Shot]:
    """What a person beside the car films in an open bay, turning with it: both wheels of that side, and floor boards."""
    base_mm = bay.wheel("front_left").reference_in_car_mm[0]
    out = []
    for i, epoch in enumerate(epochs):
        middle = (bay.bay_from_car_in(epoch.name) @ np.array([base_mm / 2.0, side * 780.0, 250.0, 1.0]))[:3]
        at = np.array([middle[0] / 2.0 + 600.0, side * AWAY_MM, EYES_MM])
        out.append(Shot("01", epoch.name, "", look_at(at, middle, math.radians(1.0 + 0.2 * i))))
    return out


def filmed(demo: DemoBay, a_side: int, rng: np.random.Generator) -> DemoBay:
    """The demo with its rounds of photos while rolling replaced by the frames of a clip of each side."""
    clips = [(side, rolling(demo.bay, a_side, 1 + a_side * i, rng)) for i, side in enumerate((1.0, -1.0))]
    standing = [epoch for epoch in demo.bay.epochs if not epoch.name.startswith("roll-")]
    bay = replace(demo.bay, epochs=(*(epoch for _, epochs in clips for epoch in epochs), *standing))
    shots = [shot for side, epochs in clips for shot in frames_of(bay, epochs, side)]
    return replace(demo, bay=bay, shots=(*shots, *(shot for shot in demo.shots if not shot.epoch.startswith("roll-"))))


@pytest.mark.slow
def test_boards_are_found_in_the_frames_taken_from_a_rendered_clip(tmp_path):
    """A front wheel rolls past a camera that stands still beside it, as near as the bay's wall allows."""
    demo = scene(5).demo
    epochs = rolling(demo.bay, 9, 1, np.random.default_rng(1), math.radians(100.0))
    bay = replace(demo.bay, epochs=(*epochs, demo.bay.epoch("rest")))
    hub = (bay.bay_from_car_in("roll-5") @ np.append(bay.wheel("front_left").reference_in_car_mm, 1.0))[:3]
    camera = look_at(hub + np.array([700.0, 1500.0, 750.0]), hub + np.array([60.0, 200.0, -200.0]), math.radians(2.0))
    video = cv2.VideoWriter(str(tmp_path / "left.avi"), cv2.VideoWriter.fourcc(*"MJPG"), 10.0, (1920, 1080))
    video.set(cv2.VIDEOWRITER_PROP_QUALITY, 95)
    for i, epoch in enumerate(epochs):
        picture = render_photo(bay, demo.camera, Shot("01", epoch.name, "", camera), np.random.default_rng(i), IMAGING)
        # Two frames in three were exposed while the camera shook; in the third the car's motion smears a little.
        video.write(cv2.blur(picture, (2, 1) if i % 3 == 1 else (19, 1)))
    video.release()
    clip = read_clip(tmp_path / "left.avi")
    chosen, told = choose(clip, 3)
    assert told == []
    assert [frame.number % 3 for frame in chosen] == [1, 1, 1]
    profile = LensProfile("clip", true_lens(demo.camera), np.zeros((12, 12)))
    tasks = []
    for frame in chosen:
        path = tmp_path / f"{frame.number}.png"
        write_frame(frame, clip, path, "clip")
        tasks.append(PhotoTask(path.name, path, (profile,)))
    for photo in gather(tasks, bay.boards, tmp_path / "kept", lambda _: None):
        found = {sighting.board for sighting in photo.sightings.found}
        assert "wheel-front-left" in found, photo.name
        assert any(board.startswith("floor-") for board in found), photo.name


@pytest.mark.slow
def test_one_photo_epochs_of_both_sides_give_the_cars_figures(tmp_path):
    """Twelve frames a side and a full `rest`: worse than three rounds of photos by half to the double, and honestly so."""
    demo = scene(5).demo
    rounds = simulate(tmp_path / "rounds", 5, of=scene(5))
    clip = simulate(tmp_path / "clip", 5, of=scene_of(filmed(demo, 12, np.random.default_rng(5))))
    by_rounds, by_clip = (fg.of_car(car(sim, surveyed(sim))) for sim in (rounds, clip))
    scores = list(fg.normalised(by_clip, clip.truth).values())
    assert max(abs(score) for score in scores) < 3.5
    assert fg.mean_square(scores) < 2.5
    for name in ("thrust_angle_deg", "rear_total_toe_deg", "wheelbase_left_mm"):
        assert 1.0 < by_clip[name].u / by_rounds[name].u < 2.5
