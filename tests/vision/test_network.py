"""The network: exact on exact data, its covariance true under noise, sequential equals joint, faults named in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.support.network_world import CAMERA, World, lens_profile, misprinted, ring_world, small_boards, views_of
from vision.camera import Wobble
from vision.errors import NetworkError
from vision.frames import Pose, exp_so3
from vision.linearise import PHOTO_COLUMNS
from vision.network import Network, adjust_network, start_of
from vision.network_start import NotTiedError, Start, find_start
from vision.observations import BodySighting, Distance, View, bend_modes
from vision.unknowns import Hold

ALL_HELD = Hold(lens=True, scale=True, bend=True)


def gaps(network: Network, world: World) -> tuple[float, float]:
    """Largest error of a body's pose in the datum's frame: mm, degrees."""
    datum = world.world_from_body[network.state.datum]
    shift_mm, turn_deg = 0.0, 0.0
    for body in network.bodies_seen:
        true = datum.inverse() @ world.world_from_body[body]
        found = network.state.pose(body)
        shift_mm = max(shift_mm, float(np.linalg.norm(true.translation_mm - found.translation_mm)))
        turn = (true.transform.rotation.inv() * found.transform.rotation).magnitude()
        turn_deg = max(turn_deg, float(np.degrees(turn)))
    return shift_mm, turn_deg


def without(views: list[View], photo: str, body: str) -> list[View]:
    return [View(v.photo, v.lens, tuple(s for s in v.seen if not (v.photo == photo and s.body == body))) for v in views]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_exact_corners_give_exact_poses(seed: int) -> None:
    world = ring_world(seed)
    network = adjust_network(views_of(world, noise_px=0.0), world.boards, {"cam": lens_profile(sigma=1.0)})
    shift_mm, turn_deg = gaps(network, world)
    assert shift_mm < 1e-6
    assert turn_deg < 1e-7
    assert network.redundancy > 1000


def test_scales_bends_and_lens_are_recovered_within_what_is_known_of_them() -> None:
    # 0.1 % of scale on one board only, against a prior of that size: the other boards hold it to a tenth.
    boards = small_boards(8, own_pm=0.002, common_pm=1e-6)
    world = ring_world(4, photos=20, board_set=boards)
    world.scale["b3"] = (1.001, 1.001)
    network = adjust_network(views_of(world, noise_px=0.05), boards, {"cam": lens_profile(sigma=1.0)})
    found = network.state.value[network.state.names.index("own:b3:x")]
    sigma = np.sqrt(network.state.cov[(i := network.state.names.index("own:b3:x")), i])
    assert abs(found - 0.001) < 3.5 * sigma
    assert sigma < 3e-4


def test_modes_of_a_bend_are_one_at_the_rim_of_the_face_and_lie_about_the_plane_of_the_corners() -> None:
    board = small_boards(1)["b0"]
    modes, corners = bend_modes(board, np.arange(board.corner_count)), board.corners_mm()[:, :2]
    assert np.column_stack([np.ones(len(corners)), corners]).T @ modes == pytest.approx(np.zeros((3, 3)), abs=1e-8)
    # across the face u² goes from 0 to 1, and two thirds of that lie above its mean
    across = np.ptp(corners[:, 0]) / board.size_mm[0]
    assert np.ptp(modes[:, 0]) == pytest.approx(1.5 * (across**2 - (across / (board.corner_columns - 1)) ** 2))
    assert np.ptp(modes[:, 1]) == pytest.approx(2.0 * across * np.ptp(corners[:, 1]) / board.size_mm[1])


def test_a_bent_board_shows_its_bend() -> None:
    boards = small_boards(8, flatness_mm=1.5)
    world = ring_world(5, photos=20, board_set=boards)
    modes = bend_modes(boards["b2"], np.arange(24))

    class Bent(type(boards["b2"])):  # type: ignore[misc]
        """A board whose true face departs from its plane by 1 mm in the u² mode."""

        def corners_mm(self) -> np.ndarray:
            flat = super().corners_mm()
            flat[:, 2] += 1.0 * modes[:, 0]
            return flat

    plain = boards["b2"]
    bent = Bent(**{name: getattr(plain, name) for name in plain.__dataclass_fields__})
    shown = replace(world, boards=type(boards)(tuple(bent if b.name == "b2" else b for b in boards)))
    network = adjust_network(views_of(shown, noise_px=0.05), boards, {"cam": lens_profile()})
    i = network.state.names.index("bend:b2:0")
    assert network.state.value[i] == pytest.approx(1.0, abs=4 * np.sqrt(network.state.cov[i, i]))
    assert np.sqrt(network.state.cov[i, i]) < 0.1


def test_parts_add_up_to_the_covariance_and_none_is_negative() -> None:
    world = ring_world(6)
    lens = lens_profile(sigma=1.0, wobble=Wobble(0.05, 0.5))
    views = views_of(world, noise_px=0.1)
    tape = Distance("b0", "b5", 1000.0, 1.0)
    poses = world.world_from_body
    marks = [poses[b].apply(world.boards[b].centre_mm) for b in ("b0", "b5")]
    tape = replace(tape, mm=float(np.linalg.norm(marks[0] - marks[1])))
    poses_set = adjust_network(views, world.boards, {"cam": lens}, distances=[tape]).poses
    assert set(poses_set.parts) == {"corners", "lens", "wobble", "scale", "flatness", "tape"}
    total = sum(poses_set.parts.values())
    np.testing.assert_allclose(total, poses_set.cov, atol=1e-9 * np.abs(poses_set.cov).max())
    for source, part in poses_set.parts.items():
        assert np.diag(part).min() >= -1e-12, source
        assert np.diag(part).max() > 0, source


def scatter(world: World, runs: int, noise_px: float) -> tuple[np.ndarray, Network]:
    """Normalised errors (left perturbations whitened by the stated covariance) over runs; shape (runs, unknowns)."""
    rows = []
    for run in range(runs):
        network = adjust_network(
            views_of(world, noise_px=noise_px, seed=100 + run), world.boards, {"cam": lens_profile()}, hold=ALL_HELD
        )
        datum = world.world_from_body[network.state.datum]
        error = []
        bodies = [b for b in network.bodies_seen if b != network.state.datum]
        for body in bodies:
            gap = network.state.pose(body).transform * (datum.inverse() @ world.world_from_body[body]).transform.inv()
            error += [*gap.rotation.as_rotvec(), *gap.translation]
        cov = network.poses.cov_of(bodies) / network.state.variance_factor
        rows.append(np.linalg.solve(np.linalg.cholesky(cov), np.array(error)))
    return np.array(rows), network


def test_stated_covariance_is_the_scatter() -> None:
    errors, _ = scatter(ring_world(7, boards=6, photos=10), runs=12, noise_px=0.2)
    # Mean of squares of n unit normals scatters by sqrt(2 / n): three of those.
    n = errors.size
    assert (errors**2).mean() == pytest.approx(1.0, abs=3.0 * np.sqrt(2.0 / n))


def test_sigma0_tells_optimistic_corner_covariances() -> None:
    world = ring_world(8)
    honest = adjust_network(views_of(world, noise_px=0.2), world.boards, {"cam": lens_profile()})
    boast = adjust_network(views_of(world, noise_px=0.2, said_px=0.1), world.boards, {"cam": lens_profile()})
    assert honest.sigma0_band[0] < honest.sigma0 < honest.sigma0_band[1]
    assert boast.sigma0 == pytest.approx(2.0, rel=0.05)
    i = honest.poses.rows(["b4"])[3]
    corner_ratio = honest.poses.parts["corners"][i, i] / boast.poses.parts["corners"][i, i]
    assert corner_ratio == pytest.approx(1.0, rel=0.3)


def test_a_wobbling_lens_is_told_from_bad_corners() -> None:
    """Autofocus and stabilisation: every photo has its own focal length and principal point."""
    world = ring_world(19, photos=24)
    wobble = Wobble(0.3, 4.0)
    views = views_of(world, noise_px=0.1, wobble=wobble, seed=2)
    blind = adjust_network(views, world.boards, {"cam": lens_profile()}, robust=False)
    assert blind.sigma0 > blind.sigma0_band[1] + 0.2
    aware = adjust_network(views, world.boards, {"cam": lens_profile(wobble=wobble)}, robust=False)
    assert aware.sigma0_band[0] < aware.sigma0 < aware.sigma0_band[1]
    datum = world.world_from_body[aware.state.datum]
    bodies = [b for b in aware.bodies_seen if b != aware.state.datum]
    error = []
    for body in bodies:
        gap = aware.state.pose(body).transform * (datum.inverse() @ world.world_from_body[body]).transform.inv()
        error += [*gap.rotation.as_rotvec(), *gap.translation]
    white = np.linalg.solve(np.linalg.cholesky(aware.poses.cov_of(bodies)), np.array(error))
    assert (white**2).mean() == pytest.approx(1.0, abs=3.3 * np.sqrt(2.0 / len(white)))


@pytest.mark.parametrize("print_mm", [0.0, 0.1])
def test_survey_then_check_equals_one_adjustment(print_mm: float) -> None:
    """Sequential equals joint (1e-3 mm, 1e-4 degrees, 1 % of u), lens profile, scales and prints applied once.

    The two differ by the curvature that Gauss-Newton leaves out, which grows with the square of the noise, 0.06 px here, and of
    the print errors (measured: a quarter for errors half as large): with prints the limit is 0.5 % of u.
    """
    world = misprinted(ring_world(9, photos=44, board_set=small_boards(8, print_mm=print_mm)), print_mm / 2, 1)
    views = views_of(world, noise_px=0.06, seed=5)
    lens = lens_profile(sigma=1.0, wobble=Wobble(0.03, 0.3))
    marks = [world.world_from_body[b].apply(world.boards[b].centre_mm) for b in ("b0", "b6")]
    tape = Distance("b0", "b6", float(np.linalg.norm(marks[0] - marks[1])), 1.0)
    late = "b7"
    early = [View(v.photo, v.lens, tuple(s for s in v.seen if s.body != late)) for v in views[:40]]
    both = early + views[40:]
    joint = adjust_network(both, world.boards, {"cam": lens}, distances=[tape], robust=False, datum="b0")
    survey = adjust_network(early, world.boards, {"cam": lens}, distances=[tape], robust=False, datum="b0")
    check = adjust_network(views[40:], world.boards, {"cam": lens}, prior=survey.state, robust=False)
    bodies = [body for body in world.world_from_body if body != "b0"]
    for body in bodies:
        a, b = joint.state.pose(body), check.state.pose(body)
        u_mm = np.sqrt(np.diag(joint.poses.of([body]).cov)[3:]).max()
        assert np.linalg.norm(a.translation_mm - b.translation_mm) < max(1e-3, 0.005 * u_mm if print_mm else 0.0), body
        assert np.degrees((a.transform.rotation.inv() * b.transform.rotation).magnitude()) < 1e-4, body
    u_joint = np.sqrt(np.diag(joint.poses.of(bodies).cov))
    u_check = np.sqrt(np.diag(check.poses.of(bodies).cov))
    np.testing.assert_allclose(u_check, u_joint, rtol=0.01)
    assert check.state.redundancy == joint.state.redundancy
    assert check.state.chi_square == pytest.approx(joint.state.chi_square, rel=1e-3)
    for source in ("lens", "scale", "flatness", "tape", "wobble", "corners", *(["print"] if print_mm else [])):
        mine = np.sqrt(np.diag(check.poses.of(bodies).parts[source]))
        theirs = np.sqrt(np.diag(joint.poses.of(bodies).parts[source]))
        np.testing.assert_allclose(mine, theirs, rtol=0.05, atol=0.05 * u_joint.min(), err_msg=source)


def test_moving_the_whole_world_changes_nothing() -> None:
    world = ring_world(10)
    shift = Pose.from_rt("world", "world", [0.4, -0.2, 2.0], [5000.0, -3000.0, 800.0])
    moved = replace(
        world,
        world_from_body={b: Pose("world", b, (shift @ p).transform) for b, p in world.world_from_body.items()},
        cam_from_world={c: p @ shift.inverse() for c, p in world.cam_from_world.items()},
    )
    lens = {"cam": lens_profile(sigma=1.0)}
    here = adjust_network(views_of(world, noise_px=0.1), world.boards, lens, datum="b0")
    there = adjust_network(views_of(moved, noise_px=0.1), moved.boards, lens, datum="b0")
    for body in world.world_from_body:
        assert np.linalg.norm(here.state.pose(body).translation_mm - there.state.pose(body).translation_mm) < 1e-5


def test_the_datum_chosen_does_not_change_relative_poses_nor_their_uncertainty() -> None:
    world = ring_world(11)
    views = views_of(world, noise_px=0.1)
    lens = {"cam": lens_profile(sigma=1.0)}

    def gap_of(datum: str):  # type: ignore[no-untyped-def]
        poses = adjust_network(views, world.boards, lens, datum=datum).poses
        return poses.propagate(("x_mm", "y_mm", "z_mm"), lambda p: (p["b2"].inverse() @ p["b5"]).translation_mm)

    one, two = gap_of("b0"), gap_of("b6")
    np.testing.assert_allclose(one.value, two.value, atol=1e-4)
    np.testing.assert_allclose(one.cov, two.cov, rtol=1e-3, atol=1e-6)


def test_two_groups_that_share_no_board_are_named() -> None:
    world = ring_world(12)
    views = views_of(world, noise_px=0.1)
    left = {"b0", "b1", "b4", "b5"}
    split = [View(v.photo, v.lens, tuple(s for s in v.seen if (s.body in left) == (i % 2 == 0))) for i, v in enumerate(views)]
    with pytest.raises(NotTiedError, match="never seen in one photo") as caught:
        adjust_network(split, world.boards, {"cam": lens_profile()})
    assert {frozenset(g) for g in caught.value.groups} == {frozenset(left), frozenset(world.world_from_body) - left}
    assert "add a photo that shows" in caught.value.hint


def test_a_board_moved_in_one_photo_is_left_out_and_named() -> None:
    world = ring_world(13)
    views = views_of(world, noise_px=0.1)
    victim = next(v for v in views if len(v.seen) >= 4)
    shifted = tuple(
        BodySighting(s.body, replace(s.sighting, px=s.sighting.px + [6.0, -4.0])) if s.body == victim.seen[1].body else s
        for s in victim.seen
    )
    views = [View(v.photo, v.lens, shifted) if v is victim else v for v in views]
    network = adjust_network(views, world.boards, {"cam": lens_profile()})
    assert [(r.photo, r.body) for r in network.rejected] == [(victim.photo, victim.seen[1].body)]
    assert "times their uncertainty" in network.rejected[0].reason
    clean = adjust_network(without(views, victim.photo, victim.seen[1].body), world.boards, {"cam": lens_profile()})
    # Without the fault the two agree: what was left out has no pull.
    for body in world.world_from_body:
        a, b = network.state.pose(body), clean.state.pose(body)
        if network.state.datum == clean.state.datum:
            assert np.linalg.norm(a.translation_mm - b.translation_mm) < 1e-3


def test_single_wrong_corners_have_no_pull() -> None:
    world = ring_world(14)
    clean = views_of(world, noise_px=0.1)
    rng = np.random.default_rng(3)
    dirty = []
    for v in clean:
        seen = []
        for s in v.seen:
            px = s.sighting.px.copy()
            bad = rng.random(len(px)) < 0.03
            px[bad] += rng.normal(0, 5.0, (int(bad.sum()), 2))
            seen.append(BodySighting(s.body, replace(s.sighting, px=px)))
        dirty.append(View(v.photo, v.lens, tuple(seen)))
    lens = {"cam": lens_profile()}
    one = adjust_network(clean, world.boards, lens, datum="b0")
    two = adjust_network(dirty, world.boards, lens, datum="b0")
    sigma = np.sqrt(np.diag(one.poses.cov))
    for body in one.bodies_seen:
        gap = two.state.pose(body).translation_mm - one.state.pose(body).translation_mm
        rows = one.poses.rows([body])[3:]
        assert (np.abs(gap) <= sigma[rows] + 1e-9).all(), body


def test_a_badly_placed_part_is_not_cut_off_from_the_rest() -> None:
    """Two halves of a bay tied by one board in one photo, and one half started 140 mm off: that board lies far off there."""
    world = ring_world(10, boards=8, photos=8)
    half = {f"b{i}": i // 4 for i in range(8)}
    seen = {view.photo: view for view in views_of(world, noise_px=0.0)}
    part = {photo: k % 2 for k, photo in enumerate(seen)}
    tie = next((p, s.body) for p, view in seen.items() for s in view.seen if part[p] == 0 and half[s.body] == 1)
    views = [
        View(p, v.lens, tuple(s for s in v.seen if half[s.body] == part[p] or (p, s.body) == tie)) for p, v in seen.items()
    ]
    datum, off = world.world_from_body["b0"], Pose.from_rt("survey", "survey", np.zeros(3), [100.0, 100.0, 0.0])
    survey_from_world = Pose("survey", "world", datum.inverse().transform)
    bodies = {b: survey_from_world @ world.world_from_body[b] for b in half}
    photos = {p: pose @ survey_from_world.inverse() for p, pose in world.cam_from_world.items()}
    start = Start(
        {p: pose @ off.inverse() if part[p] else pose for p, pose in photos.items()},
        {b: off @ pose if half[b] else pose for b, pose in bodies.items()},
        (),
    )
    network = adjust_network(views, world.boards, {"cam": lens_profile()}, datum="b0", start=start)
    assert not network.rejected
    shift_mm, turn_deg = gaps(network, world)
    assert shift_mm < 1e-3
    assert turn_deg < 1e-5


def test_wrong_corners_on_many_boards_do_not_spoil_the_start() -> None:
    world = ring_world(10, boards=8, photos=10)
    rng = np.random.default_rng(3)
    views = []
    for view in views_of(world, noise_px=0.02):
        seen = []
        for s in view.seen:
            px = s.sighting.px.copy()
            wrong = rng.choice(len(px), 2, replace=False)
            px[wrong] += rng.uniform(20.0, 60.0, (2, 1)) * rng.choice([-1.0, 1.0], (2, 2))
            seen.append(replace(s, sighting=replace(s.sighting, px=px)))
        views.append(replace(view, seen=tuple(seen)))
    profile = lens_profile()
    start = find_start(views, world.boards, {"cam": CAMERA}, "b0")
    for body, pose in start.bodies.items():
        true = world.world_from_body["b0"].inverse() @ world.world_from_body[body]
        # some pixels off at 3 m and 1400 px would be some 10 mm
        assert np.linalg.norm(pose.translation_mm - true.translation_mm) < 5.0, body
    network = adjust_network(views, world.boards, {"cam": profile}, datum="b0")
    assert network.sigma0 < 1.2
    assert gaps(network, world)[0] < 0.5


def test_a_tape_that_contradicts_the_photographs_is_named() -> None:
    world = ring_world(15)
    marks = [world.world_from_body[b].apply(world.boards[b].centre_mm) for b in ("b0", "b6")]
    wrong = Distance("b0", "b6", float(np.linalg.norm(marks[0] - marks[1])) + 40.0, 1.0)
    with pytest.raises(NetworkError, match="tape and photographs contradict each other: b0 to b6"):
        adjust_network(views_of(world, noise_px=0.1), world.boards, {"cam": lens_profile()}, distances=[wrong])


def test_a_tape_removes_a_common_print_scale_error() -> None:
    boards = small_boards(8, common_pm=0.004)
    world = ring_world(16, board_set=boards, photos=18)
    for name in world.scale:
        world.scale[name] = (1.003, 1.003)
    marks = [world.world_from_body[b].apply(boards[b].centre_mm * 1.003) for b in ("b0", "b7")]
    tape = Distance("b0", "b7", float(np.linalg.norm(marks[0] - marks[1])), 0.5)
    views = views_of(world, noise_px=0.05)
    lens = {"cam": lens_profile()}
    true = (world.world_from_body["b1"].inverse() @ world.world_from_body["b6"]).translation_mm

    def error(network: Network) -> float:
        found = (network.state.pose("b1").inverse() @ network.state.pose("b6")).translation_mm
        return float(abs(np.linalg.norm(found) - np.linalg.norm(true)))

    assert error(adjust_network(views, boards, lens)) > 4.0
    assert error(adjust_network(views, boards, lens, distances=[tape])) < 1.0


def test_jacobians_agree_with_differences() -> None:
    """Gradient of the cost from the normal equations against central differences of the cost, every unknown."""
    from vision.adjust import _cost, normal_equations
    from vision.network import _problem, _start_values
    from vision.unknowns import moved

    world = ring_world(17, boards=4, photos=4)
    views = views_of(world, noise_px=1.0, said_px=0.5)
    lens = {"cam": lens_profile(sigma=1.0, wobble=Wobble(0.5, 3.0, 2.0))}
    marks = [world.world_from_body[b].apply(world.boards[b].centre_mm) for b in ("b0", "b3")]
    tape = Distance("b0", "b3", float(np.linalg.norm(marks[0] - marks[1])) + 3.0, 1.0)
    start = find_start(views, world.boards, {"cam": CAMERA}, "b0")
    problem = _problem(views, world.boards, lens, "b0", Hold(), None, [tape])
    values = _start_values(problem, start, {"cam": CAMERA}, None)
    rng = np.random.default_rng(1)
    size, photos = problem.layout.size, len(problem.obs.photos)
    sizes = np.array([{"pose": 1e-4, "lens": 1e-3, "bend": 1e-2}.get(n.split(":")[0], 1e-5) for n in problem.layout.names])
    values = moved(values, problem.layout, rng.normal(0, 1, size) * sizes, rng.normal(0, 1e-4, (photos, PHOTO_COLUMNS)))
    weights = problem.obs.used.astype(float)
    normal = normal_equations(problem, values, weights)
    # The reduced right side mixes joint and photo gradients; undo the elimination to compare plain gradients.
    gradient_photo = normal.photo_right
    flat = np.einsum("pij,pjk->pik", np.linalg.inv(normal.photo_inverse), normal.photo_joint)
    gradient = normal.right + np.einsum("pik,pi->k", normal.photo_joint, gradient_photo)
    assert flat.shape == (photos, PHOTO_COLUMNS, size)
    for k in range(size):
        step = np.zeros(size)
        step[k] = h = 1e-3 * sizes[k]
        ahead = _cost(problem, moved(values, problem.layout, step, np.zeros((photos, PHOTO_COLUMNS))), weights, False)
        behind = _cost(problem, moved(values, problem.layout, -step, np.zeros((photos, PHOTO_COLUMNS))), weights, False)
        numeric = (ahead - behind) / (2 * h) / 2.0
        assert numeric == pytest.approx(gradient[k], rel=1e-4, abs=1e-5 * np.abs(gradient).max()), problem.layout.names[k]
    for k in range(PHOTO_COLUMNS):
        step = np.zeros((photos, PHOTO_COLUMNS))
        step[1, k] = h = 1e-6 if k < 3 or k == 6 else 1e-4
        ahead = _cost(problem, moved(values, problem.layout, np.zeros(size), step), weights, False)
        behind = _cost(problem, moved(values, problem.layout, np.zeros(size), -step), weights, False)
        assert (ahead - behind) / (4 * h) == pytest.approx(gradient_photo[1, k], rel=1e-4, abs=1e-2), k


def test_same_minimum_as_a_general_least_squares_solver() -> None:
    """scipy.optimize.least_squares on its own residual function (cv2 projection, rotation vectors), held lens and scales."""
    import cv2

    world = ring_world(18, boards=3, photos=5)
    views = [view for view in views_of(world, noise_px=0.2) if view.seen]
    network = adjust_network(views, world.boards, {"cam": lens_profile()}, hold=ALL_HELD, robust=False, datum="b0")
    bodies = ["b1", "b2"]
    photos = [v.photo for v in views]

    def residual(x: np.ndarray) -> np.ndarray:
        poses = x.reshape(-1, 6)
        out = []
        for i, view in enumerate(views):
            rc, tc = exp_so3(poses[len(bodies) + i, :3]), poses[len(bodies) + i, 3:]
            for s in view.seen:
                points = world.boards[s.body].corners_mm()[s.sighting.corner_ids]
                if s.body != "b0":
                    row = poses[bodies.index(s.body)]
                    points = points @ exp_so3(row[:3]).T + row[3:]
                points = np.ascontiguousarray(points @ rc.T + tc)
                px = cv2.projectPoints(points, np.zeros(3), np.zeros(3), CAMERA.matrix, CAMERA.distortion)[0][:, 0]
                out.append(((px - s.sighting.px) / 0.2).ravel())
        return np.concatenate(out)

    start = [network.state.pose(b) for b in bodies] + [network.cam_from_survey[p] for p in photos]
    x0 = np.concatenate([[*p.transform.rotation.as_rotvec(), *p.translation_mm] for p in start])
    kick = np.random.default_rng(0).normal(0, 1, len(x0)) * np.tile([1e-3] * 3 + [1.0] * 3, len(start))
    other = least_squares(residual, x0 + kick, x_scale=np.tile([1e-3] * 3 + [1.0] * 3, len(start)), xtol=1e-14, ftol=1e-14)
    found = other.x.reshape(-1, 6)
    for row, body in zip(found, bodies, strict=False):
        pose = network.state.pose(body)
        assert np.linalg.norm(row[3:] - pose.translation_mm) < 1e-3
        assert np.degrees(np.linalg.norm(row[:3] - pose.transform.rotation.as_rotvec())) < 1e-4


def test_no_board_at_all_is_refused() -> None:
    with pytest.raises(NetworkError, match="no photo shows a board"):
        adjust_network([], small_boards(2), {"cam": lens_profile()})


def test_a_photo_with_one_board_of_another_epoch_keeps_its_other_boards() -> None:
    """A board that stood half a metre elsewhere is left out alone; the photo's other boards stay in."""
    world = ring_world(20, photos=20)
    views = views_of(world, noise_px=0.03, seed=4)
    elsewhere = dict(world.world_from_body)
    step = Pose.from_rt("world", "world", [0.0, 0.0, 0.0], [450.0, 200.0, 0.0])
    elsewhere["b1"] = step @ elsewhere["b1"]
    other = views_of(replace(world, world_from_body=elsewhere), noise_px=0.03, seed=4)
    mixed = next(i for i, v in enumerate(other) if {"b1"} < {s.body for s in v.seen} and len(v.seen) >= 4)
    views[mixed] = other[mixed]
    network = adjust_network(views, world.boards, {"cam": lens_profile()})
    assert [(r.photo, r.body) for r in network.rejected] == [(views[mixed].photo, "b1")]
    assert network.rejected[0].misfit > 100.0


def test_a_start_of_an_earlier_network_serves_whatever_its_datum() -> None:
    """The same result as from the start found anew; the frame is that of the datum now asked for."""
    world = ring_world(21, photos=12)
    views = views_of(world, noise_px=0.1, seed=5)
    lens = {"cam": lens_profile()}
    earlier = adjust_network(views, world.boards, lens, datum="b3")
    anew = adjust_network(views, world.boards, lens, datum="b0")
    taken_up = adjust_network(views, world.boards, lens, datum="b0", start=start_of(earlier))
    assert taken_up.state.datum == "b0"
    np.testing.assert_allclose(taken_up.state.pose("b0").transform.as_matrix(), np.eye(4), atol=1e-15)
    for body in anew.bodies_seen:
        gap = taken_up.state.pose(body).transform.as_matrix() - anew.state.pose(body).transform.as_matrix()
        assert np.abs(gap).max() < 1e-6, body
    sigmas = [np.sqrt(np.diag(network.state.cov)) for network in (taken_up, anew)]
    np.testing.assert_allclose(*sigmas, rtol=1e-6)
