"""Where the technician stands: the photo list of the demo, an example to follow.

Round every wheel one photo from ahead of it and one from behind it, 35 to 55 degrees off its board, each with the floor boards
beside it; in the last round also the four corners, and looks back over the boards before the car, which tie its left and right
side; then the stand from 30 to 45 degrees off, near for its boards and from further back with the floor boards before it, and
both front wheels once more, to show that the car stayed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synthetic_images.bay import Bay, Stand
from synthetic_images.corners import visible_corners
from synthetic_images.lens_shots import lens_shots
from synthetic_images.mats import Mat
from synthetic_images.rigid import Array, apply, look_at
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera, webcam

WHEEL_ORDER = ("front_left", "rear_left", "rear_right", "front_right")
"""One walk round the car."""
WORDS = {"front_left": "front left", "front_right": "front right", "rear_left": "rear left", "rear_right": "rear right"}
SIDE_MM = 1420.0
"""From the wheel board's plane to the camera: inside 1.6 m of the car's side."""
NAMED_FLOOR_BOARDS = 3


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where to stand and what to look at, mm, frame `bay`; `portrait` holds the camera upright."""

    at_mm: tuple[float, float, float]
    towards_mm: tuple[float, float, float]
    place: str
    portrait: bool = False


def demo_shots(bay: Bay, rng: np.random.Generator, camera: TrueCamera | None = None, *, lens_photos: int = 12) -> list[Shot]:
    """All photos of the demo in the order they are taken: lens, roll epochs, rest, check.

    Parameters
    ----------
    bay : Bay
    rng : numpy Generator
        People do not stand exactly where they are told: some centimetres and degrees.
    camera : TrueCamera, optional
        Decides what is in the frame and so what the sentences say; the 1080p one when left out.
    lens_photos : int
    """
    camera = camera or webcam()
    shots = lens_shots(bay, camera, rng, lens_photos)
    for epoch in bay.epochs:
        shots += epoch_shots(bay, epoch.name, rng, camera)
    return shots


def epoch_shots(bay: Bay, epoch: str, rng: np.random.Generator, camera: TrueCamera | None = None) -> list[Shot]:
    """The photos of one epoch: a wheel round, `rest` with the corners, `check-n` with its targets."""
    camera = camera or webcam()
    what = bay.epoch(epoch)
    if what.is_check:
        stands = [stand for target in what.stands for stand in _round_the_stand(bay, target, epoch)]
        if what.stands:
            stands += [_front_corner(bay, side, epoch) for side in (1.0, -1.0)]
        for mat in what.mats:
            stands += _round_the_mat(bay, mat, epoch)
    elif epoch == "rest":
        stands = _round_the_car(bay, epoch, corners=True) + [*_across_the_front(), *_across_the_rear()]
    else:
        stands = _round_the_car(bay, epoch, corners=False)
    return [_take(bay, epoch, f"{i + 1:02d}", stand, rng, camera) for i, stand in enumerate(stands)]


def _take(bay: Bay, epoch: str, name: str, stand: _Stand, rng: np.random.Generator, camera: TrueCamera) -> Shot:
    at = np.array(stand.at_mm) + rng.uniform(-50, 50, 3)
    towards = np.array(stand.towards_mm) + rng.uniform(-40, 40, 3)
    roll = math.radians(float(rng.choice([-1, 1]) * rng.uniform(0.7, 4.0))) + (math.pi / 2 if stand.portrait else 0.0)
    shot = Shot(name, epoch, "", look_at(at, towards, roll))
    seen = [corners.board for corners in visible_corners(bay, camera, shot)]
    held = ", camera upright" if stand.portrait else ""
    sentence = f"{stand.place}, {_height_word(stand.at_mm[2])}{held}, showing {_listed(bay, seen, at)}"
    return Shot(name, epoch, sentence, shot.bay_from_cam)


def _height_word(height_mm: float) -> str:
    if height_mm < 900:
        return "knee height"
    if height_mm < 1250:
        return "hip height"
    return "chest height" if height_mm < 1520 else "head height"


def _listed(bay: Bay, seen: list[str], at: Array) -> str:
    """Wheel and stand boards, then the nearest floor boards, as a person would list them."""
    near = {fb.name: math.hypot(fb.x_mm - at[0], fb.y_mm - at[1]) for fb in bay.floor_boards}
    floors = sorted((name for name in seen if name in near), key=lambda name: near[name])[:NAMED_FLOOR_BOARDS]
    names = sorted(name for name in seen if name not in near) + floors
    if len(names) < 2:
        return "".join(names) or "no board"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _round_the_car(bay: Bay, epoch: str, *, corners: bool) -> list[_Stand]:
    stands = []
    for position in WHEEL_ORDER:
        side = 1.0 if position.endswith("left") else -1.0
        for ahead in (1.0, -1.0):
            if corners and position.startswith("front") and ahead > 0:
                stands.append(_front_corner(bay, side, epoch))
            else:
                stands.append(_beside(bay, position, epoch, side, ahead))
    return stands


def _beside(bay: Bay, position: str, epoch: str, side: float, ahead: float) -> _Stand:
    """Beside a wheel, ahead of it or behind it, the nearest floor boards in the lower half of the picture."""
    x, y, _ = _board_centre(bay, position, epoch)
    height = 1050.0 if ahead > 0 else 1330.0
    at = (x + ahead * 850.0, y + side * SIDE_MM, height)
    return _Stand(
        at, (x + ahead * 130.0, y + side * 260.0, 130.0), f"{WORDS[position]} wheel from {'ahead' if ahead > 0 else 'behind'}"
    )


def _board_centre(bay: Bay, position: str, epoch: str) -> Array:
    board = bay.wheel(position).board
    return apply(bay.board_poses(epoch)[board], bay.boards[board].centre_mm)


def _front_corner(bay: Bay, side: float, epoch: str) -> _Stand:
    """Off a front corner: front wheel, the last floor board of that side and the first one across the front together."""
    x, y, _ = _board_centre(bay, "front_left" if side > 0 else "front_right", epoch)
    word = "left" if side > 0 else "right"
    return _Stand((x + 1000.0, y + side * 1050.0, 1280.0), (x + 640.0, y + side * 180.0, 260.0), f"front {word} corner")


def _across_the_front() -> list[_Stand]:
    """From beyond the foremost boards back over all of them: the stand's place hangs on these boards."""
    return [
        _Stand((5500.0, side * 700.0, 1600.0), (4150.0, -side * 60.0, 60.0), f"ahead of the car, front {word}, looking back")
        for side, word in ((1.0, "left"), (-1.0, "right"))
    ]


def _across_the_rear() -> list[_Stand]:
    return [
        _Stand(
            (-2700.0, side * 900.0, 1700.0),
            (-1500.0, side * 560.0 - side * 130.0, 100.0),
            f"behind the car, rear {word}, looking across",
        )
        for side, word in ((1.0, "left"), (-1.0, "right"))
    ]


def _round_the_stand(bay: Bay, target: Stand, epoch: str) -> list[_Stand]:
    """Four photos 34 to 45 degrees off the target's normal: two near, camera upright, the stand boards large; two from further
    back, with the floor boards before the stand."""
    bay_from_target = bay.bay_from_target_of(target, epoch)
    facing = 1.0 if target.is_behind else -1.0
    centre = bay_from_target[:3, 3]

    def place(side: int, angle_deg: int, reach_mm: float, height_mm: float) -> tuple[tuple[float, float, float], str]:
        angle = math.radians(angle_deg)
        away = apply(bay_from_target, [facing * reach_mm * math.cos(angle), side * reach_mm * math.sin(angle), 0.0])
        word = "car's left" if side > 0 else "car's right"
        return (float(away[0]), float(away[1]), height_mm), f"{angle_deg}° off it on the {word}"

    stands = []
    for side, angle_deg, reach_mm, height_mm in ((1, 43, 1800.0, 1250.0), (-1, 43, 1850.0, 1600.0)):
        at, words = place(side, angle_deg, reach_mm, height_mm)
        towards = (centre[0] + facing * 250.0, centre[1] - side * 40.0, 0.56 * centre[2])
        stands.append(_Stand(at, towards, f"before the stand, {words}", portrait=True))
    for side in (1, -1):
        at, words = place(side, 36, 2550.0, 1750.0)
        towards = (centre[0] + facing * 600.0, centre[1], 0.40 * centre[2])
        stands.append(_Stand(at, towards, f"further back, {words}"))
    return stands


def _round_the_mat(bay: Bay, mat: Mat, epoch: str) -> list[_Stand]:
    """Four photos down on the mat from its far side and its ends, then the nearer wheels, to show that the car stayed."""
    middle = np.mean([mat.seen_from_above_mm(x, y) for x, y in mat.places_mm], axis=0)
    axles = {axle: bay.bay_from_wheel(f"{axle}_left", epoch)[:2, 3] for axle in ("front", "rear")}
    axle = min(axles, key=lambda name: float(np.linalg.norm(axles[name] - middle)))
    behind = axle == "rear"
    outwards = math.pi if behind else 0.0
    stands = []
    for off_deg, reach_mm, place in (
        (30, 1500.0, "its far side"),
        (-30, 1500.0, "its far side"),
        (85, 1300.0, "its end"),
        (-85, 1300.0, "its end"),
    ):
        angle = outwards + math.radians(off_deg)
        x, y = middle + reach_mm * np.array([math.cos(angle), math.sin(angle)])
        word = "car's left" if y > middle[1] else "car's right"
        stands.append(_Stand((x, y, 1550.0), (*middle, 0.0), f"beside the mat, {place} on the {word}"))
    ahead = -1.0 if behind else 1.0
    return stands + [_beside(bay, f"{axle}_{side}", epoch, sign, ahead) for side, sign in (("left", 1.0), ("right", -1.0))]
