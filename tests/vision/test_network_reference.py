"""The network against COLMAP's bundle adjuster (`pycolmap`, BSD; ETH Zurich and UNC Chapel Hill; Ceres underneath).

COLMAP moves cameras and points, not boards. Its rigs do what a network of boards needs, turned round: a board is an exposure of
a rig (`rig_from_world` = `rig_from_board`) whose corners are constant points, and every photo is one sensor of the rig
(`sensor_from_rig` = `cam_from_rig`). The first photo is the reference sensor and so COLMAP's datum; its result is brought to
ours, one board. COLMAP's pixel (0, 0) is the corner of the first pixel, ours its centre: half a pixel on both coordinates.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.support.network_world import CAMERA, World, lens_profile, ring_world, views_of
from vision.frames import Pose
from vision.network import Network, adjust_network
from vision.observations import View
from vision.unknowns import Hold

pycolmap = pytest.importorskip("pycolmap", reason="needs pycolmap (extra `reference`)")
pytestmark = pytest.mark.reference

ALL_HELD = Hold(lens=True, scale=True, bend=True)
DATUM = "b0"
NOISE_PX = 0.3


def rigid(pose: Pose):
    return pycolmap.Rigid3d(pose.transform.as_matrix()[:3])


def pose_of(target: str, source: str, found) -> Pose:
    matrix = np.eye(4)
    matrix[:3] = found.matrix()
    return Pose.from_matrix(target, source, matrix)


def roughly(pose: Pose, rng: np.random.Generator) -> Pose:
    """Off by some degrees and centimetres: COLMAP starts on its own."""
    return pose.perturbed(np.concatenate([rng.normal(0, 0.01, 3), rng.normal(0, 10.0, 3)]))


def colmap_camera(number: int):
    fx, fy, cx, cy, k1, k2, p1, p2, *more = CAMERA.parameters
    params = [fx, fy, cx + 0.5, cy + 0.5, k1, k2, p1, p2, *more]
    return pycolmap.Camera(camera_id=number, model="FULL_OPENCV", width=CAMERA.width_px, height=CAMERA.height_px, params=params)


class Reconstruction:
    """The views as a COLMAP reconstruction of one rig."""

    def __init__(self, world: World, views: list[View], seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.bodies = list(dict.fromkeys(seen.body for view in views for seen in view.seen))
        self.model = pycolmap.Reconstruction()
        rig = pycolmap.Rig(rig_id=1)
        self.sensor, self.world_from_rig = {}, world.cam_from_world[views[0].photo].inverse()
        for number, view in enumerate(views, start=1):
            self.model.add_camera(colmap_camera(number))
            sensor = self.sensor[view.photo] = pycolmap.sensor_t(type=pycolmap.SensorType.CAMERA, id=number)
            if number == 1:
                rig.add_ref_sensor(sensor)
            else:
                rig.add_sensor(sensor, rigid(roughly(world.cam_from_world[view.photo] @ self.world_from_rig, rng)))
        self.model.add_rig(rig)
        points = self._add_points(world, views)
        self._add_frames(world, views, rng)
        self._observe(views, points)

    def _add_points(self, world: World, views: list[View]) -> dict[tuple[str, int], int]:
        seen = {(s.body, int(i)) for view in views for s in view.seen for i in s.sighting.corner_ids}
        corners = {body: world.boards[body].corners_mm() for body in self.bodies}
        return {key: self.model.add_point3D(corners[key[0]][key[1]], pycolmap.Track()) for key in sorted(seen)}

    def _add_frames(self, world: World, views: list[View], rng: np.random.Generator) -> None:
        images = []
        for number, body in enumerate(self.bodies, start=1):
            frame = pycolmap.Frame(frame_id=number, rig_id=1)
            for view in views:
                for seen in view.seen:
                    if seen.body == body:
                        images.append(self._image(len(images) + 1, view, seen))
                        frame.add_data_id(images[-1].data_id)
            frame.rig_from_world = rigid(roughly(self.world_from_rig.inverse() @ world.world_from_body[body], rng))
            self.model.add_frame(frame)
            for image in images:
                if not self.model.exists_image(image.image_id):
                    image.frame_id = number
                    self.model.add_image(image)
            self.model.register_frame(number)

    def _image(self, number: int, view: View, seen):
        camera_id = self.sensor[view.photo].id
        keypoints = seen.sighting.px + 0.5
        return pycolmap.Image(name=f"{view.photo}:{seen.body}", keypoints=keypoints, camera_id=camera_id, image_id=number)

    def _observe(self, views: list[View], points: dict[tuple[str, int], int]) -> None:
        by_name = {image.name: image.image_id for image in self.model.images.values()}
        for view in views:
            for seen in view.seen:
                for k, corner in enumerate(seen.sighting.corner_ids):
                    element = pycolmap.TrackElement(by_name[f"{view.photo}:{seen.body}"], k)
                    self.model.add_observation(points[(seen.body, int(corner))], element)

    def adjust(self):
        """Bundle adjustment of all boards and photos, points and lenses constant, plain squares."""
        options = pycolmap.BundleAdjustmentOptions(
            refine_focal_length=False,
            refine_principal_point=False,
            refine_extra_params=False,
            refine_points3D=False,
            print_summary=False,
        )
        solver = options.ceres.solver_options
        solver.gradient_tolerance, solver.function_tolerance, solver.parameter_tolerance = 1e-14, 1e-16, 1e-14
        solver.max_num_iterations = 200
        config = pycolmap.BundleAdjustmentConfig()
        for image_id in self.model.images:
            config.add_image(image_id)
        for camera_id in self.model.cameras:
            config.set_constant_cam_intrinsics(camera_id)
        for point_id in self.model.points3D:
            config.add_constant_point(point_id)
        summary = pycolmap.create_default_bundle_adjuster(options, config, self.model).solve()
        assert summary.is_solution_usable()
        return summary

    def rig_from_body(self, body: str) -> Pose:
        return pose_of("rig", body, self.model.frame(self.bodies.index(body) + 1).rig_from_world)

    def survey_from_body(self, body: str) -> Pose:
        """The datum board is the survey's frame."""
        return Pose("survey", "rig", self.rig_from_body(DATUM).inverse().transform) @ self.rig_from_body(body)

    def cam_from_survey(self, photo: str) -> Pose:
        sensor, rig = self.sensor[photo], self.model.rig(1)
        datum = Pose("rig", "survey", self.rig_from_body(DATUM).transform)
        if rig.is_ref_sensor(sensor):
            return Pose.identity("cam", "rig") @ datum
        return pose_of("cam", "rig", rig.sensor_from_rig(sensor)) @ datum


def assert_pose_close(ours: Pose, theirs: Pose, *, mm: float, deg: float) -> None:
    shift_mm = float(np.linalg.norm(ours.translation_mm - theirs.translation_mm))
    turn_deg = float(np.degrees((ours.transform.rotation.inv() * theirs.transform.rotation).magnitude()))
    assert shift_mm <= mm, f"{ours.source}: {shift_mm:.2e} mm"
    assert turn_deg <= deg, f"{ours.source}: {turn_deg:.2e} deg"


@pytest.fixture(scope="module", params=[1, 2])
def both(request) -> tuple[Network, Reconstruction, object]:
    world = ring_world(request.param)
    views = [view for view in views_of(world, noise_px=NOISE_PX, seed=request.param) if view.seen]
    theirs = Reconstruction(world, views, request.param)
    summary = theirs.adjust()
    ours = adjust_network(views, world.boards, {"cam": lens_profile()}, datum=DATUM, hold=ALL_HELD, robust=False)
    return ours, theirs, summary


def test_boards_stand_where_colmap_puts_them(both):
    ours, theirs, _ = both
    assert len(ours.bodies_seen) == 8
    for body in ours.bodies_seen:
        assert_pose_close(ours.state.pose(body), theirs.survey_from_body(body), mm=1e-3, deg=1e-4)


def test_photos_were_taken_where_colmap_puts_them(both):
    ours, theirs, _ = both
    assert len(ours.cam_from_survey) == 14
    for photo, pose in ours.cam_from_survey.items():
        assert_pose_close(pose, theirs.cam_from_survey(photo), mm=1e-3, deg=1e-4)


def test_the_square_sum_is_colmap_s(both):
    ours, _, summary = both
    assert summary.num_residuals == 2 * ours.corners
    final = float(re.search(r"Final cost: ([\d.e+-]+)", summary.brief_report())[1])
    # Ceres halves the square sum; the corners' 0.3 px whitens ours.
    assert ours.chi_square * NOISE_PX**2 / 2 == pytest.approx(final, rel=1e-6)
