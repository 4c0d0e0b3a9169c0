"""Views of boards as a COLMAP reconstruction of one rig, for `pycolmap` (BSD; ETH Zurich and UNC Chapel Hill; Ceres below).

COLMAP moves cameras and points, not boards. Its rigs do what a network of boards needs, turned round: a board is an exposure of
a rig (`rig_from_world` = `rig_from_board`) whose corners are constant points, and every photo is one sensor of the rig
(`sensor_from_rig` = `cam_from_rig`). The first photo is the reference sensor and so COLMAP's datum; its result is brought to
ours, one board. COLMAP's pixel (0, 0) is the corner of the first pixel, ours its centre: half a pixel on both coordinates.

Import it after `pytest.importorskip("pycolmap")`.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import numpy as np
import pycolmap

from vision.boards import BoardSet
from vision.camera import Camera
from vision.frames import Pose
from vision.network_start import Start
from vision.observations import BodySighting, View

EXACT = (1e-14, 1e-16, 1e-14)


def _rigid(pose: Pose) -> pycolmap.Rigid3d:
    return pycolmap.Rigid3d(pose.transform.as_matrix()[:3])


def _pose_of(target: str, source: str, found: pycolmap.Rigid3d) -> Pose:
    matrix = np.eye(4)
    matrix[:3] = found.matrix()
    return Pose.from_matrix(target, source, matrix)


def _colmap_camera(camera: Camera, number: int) -> pycolmap.Camera:
    fx, fy, cx, cy, k1, k2, p1, p2, *more = camera.parameters
    params = [fx, fy, cx + 0.5, cy + 0.5, k1, k2, p1, p2, *more]
    return pycolmap.Camera(camera_id=number, model="FULL_OPENCV", width=camera.width_px, height=camera.height_px, params=params)


class Reconstruction:
    """The views as a COLMAP reconstruction of one rig, with the start's poses; every board is one body.

    `seconds` is what COLMAP's own part of the last adjustment took: building Ceres's problem and solving it.
    """

    def __init__(self, views: Sequence[View], boards: BoardSet, camera: Camera, start: Start, datum: str) -> None:
        self.bodies = list(dict.fromkeys(seen.body for view in views for seen in view.seen))
        self.datum = datum
        self.seconds = 0.0
        self.model = pycolmap.Reconstruction()
        rig = pycolmap.Rig(rig_id=1)
        self.sensor: dict[str, Any] = {}
        cam_from_rig = {view.photo: self._in_rig(start, views[0].photo, view.photo) for view in views}
        for number, view in enumerate(views, start=1):
            self.model.add_camera(_colmap_camera(camera, number))
            sensor = self.sensor[view.photo] = pycolmap.sensor_t(type=pycolmap.SensorType.CAMERA, id=number)
            if number == 1:
                rig.add_ref_sensor(sensor)
            else:
                rig.add_sensor(sensor, _rigid(cam_from_rig[view.photo]))
        self.model.add_rig(rig)
        points = self._add_points(boards, views)
        images = self._add_frames(views, start)
        self._observe(views, points, images)

    @staticmethod
    def _in_rig(start: Start, first: str, photo: str) -> Pose:
        rig_from_survey = Pose("rig", "survey", start.photos[first].transform)
        return start.photos[photo] @ rig_from_survey.inverse()

    def _add_points(self, boards: BoardSet, views: Sequence[View]) -> dict[tuple[str, int], int]:
        seen = {(s.body, int(i)) for view in views for s in view.seen for i in s.sighting.corner_ids}
        corners = {body: boards[body].corners_mm() for body in self.bodies}
        return {key: self.model.add_point3D(corners[key[0]][key[1]], pycolmap.Track()) for key in sorted(seen)}

    def _add_frames(self, views: Sequence[View], start: Start) -> dict[str, int]:
        rig_from_survey = Pose("rig", "survey", start.photos[views[0].photo].transform)
        shown: dict[str, list[tuple[View, BodySighting]]] = {body: [] for body in self.bodies}
        for view in views:
            for seen in view.seen:
                shown[seen.body].append((view, seen))
        numbers: dict[str, int] = {}
        for number, (body, rows) in enumerate(shown.items(), start=1):
            images = [self._image(len(numbers) + k, view, seen) for k, (view, seen) in enumerate(rows, start=1)]
            frame = pycolmap.Frame(frame_id=number, rig_id=1)
            for image in images:
                frame.add_data_id(image.data_id)
            frame.rig_from_world = _rigid(rig_from_survey @ start.bodies[body])
            self.model.add_frame(frame)
            for image in images:
                image.frame_id = number
                self.model.add_image(image)
                numbers[image.name] = image.image_id
            self.model.register_frame(number)
        return numbers

    def _image(self, number: int, view: View, seen: BodySighting) -> pycolmap.Image:
        camera_id = self.sensor[view.photo].id
        keypoints = seen.sighting.px + 0.5
        return pycolmap.Image(name=f"{view.photo}:{seen.body}", keypoints=keypoints, camera_id=camera_id, image_id=number)

    def _observe(self, views: Sequence[View], points: dict[tuple[str, int], int], images: dict[str, int]) -> None:
        for view in views:
            for seen in view.seen:
                for k, corner in enumerate(seen.sighting.corner_ids):
                    element = pycolmap.TrackElement(images[f"{view.photo}:{seen.body}"], k)
                    self.model.add_observation(points[(seen.body, int(corner))], element)

    def adjust(self, tolerances: tuple[float, float, float] = EXACT, *, solver_type: str = "", threads: int = -1) -> Any:
        """Bundle adjustment of all boards and photos, points and lenses constant, plain squares.

        Parameters
        ----------
        tolerances : tuple of float
            Ceres's gradient, function and parameter tolerance.
        solver_type : str
            One of Ceres's linear solvers; without it COLMAP chooses by the number of images.
        threads : int
            -1: COLMAP chooses.
        """
        options = pycolmap.BundleAdjustmentOptions(
            refine_focal_length=False,
            refine_principal_point=False,
            refine_extra_params=False,
            refine_points3D=False,
            print_summary=False,
        )
        solver = options.ceres.solver_options
        solver.gradient_tolerance, solver.function_tolerance, solver.parameter_tolerance = tolerances
        solver.max_num_iterations = 200
        solver.num_threads = threads
        if solver_type:
            options.ceres.auto_select_solver_type = False
            solver.linear_solver_type = getattr(type(solver.linear_solver_type), solver_type)
        if threads > 1:
            options.ceres.min_num_residuals_for_cpu_multi_threading = 0
        config = pycolmap.BundleAdjustmentConfig()
        for image_id in self.model.images:
            config.add_image(image_id)
        for camera_id in self.model.cameras:
            config.set_constant_cam_intrinsics(camera_id)
        for point_id in self.model.points3D:
            config.add_constant_point(point_id)
        began = time.perf_counter()
        summary = pycolmap.create_default_bundle_adjuster(options, config, self.model).solve()
        self.seconds = time.perf_counter() - began
        if not summary.is_solution_usable():
            raise RuntimeError(f"COLMAP did not adjust: {summary.brief_report()}")
        return summary

    def rig_from_body(self, body: str) -> Pose:
        return _pose_of("rig", body, self.model.frame(self.bodies.index(body) + 1).rig_from_world)

    def survey_from_body(self, body: str) -> Pose:
        """The datum board is the survey's frame."""
        return Pose("survey", "rig", self.rig_from_body(self.datum).inverse().transform) @ self.rig_from_body(body)

    def cam_from_survey(self, photo: str) -> Pose:
        sensor, rig = self.sensor[photo], self.model.rig(1)
        datum = Pose("rig", "survey", self.rig_from_body(self.datum).transform)
        if rig.is_ref_sensor(sensor):
            return Pose.identity("cam", "rig") @ datum
        return _pose_of("cam", "rig", rig.sensor_from_rig(sensor)) @ datum


def rough_start(cam_from_world: dict[str, Pose], world_from_body: dict[str, Pose], datum: str, seed: int) -> Start:
    """True poses off by some tenths of a degree and a centimetre, in the frame of the body `datum`, which stays exact."""
    rng = np.random.default_rng(seed)
    world_from_survey = Pose("world", "survey", world_from_body[datum].transform)

    def roughly(pose: Pose) -> Pose:
        return pose.perturbed(np.concatenate([rng.normal(0, 0.01, 3), rng.normal(0, 10.0, 3)]))

    photos = {photo: roughly(pose @ world_from_survey) for photo, pose in cam_from_world.items()}
    bodies = {body: roughly(world_from_survey.inverse() @ pose) for body, pose in world_from_body.items()}
    return Start(photos, bodies | {datum: Pose.identity("survey", datum)}, ())
