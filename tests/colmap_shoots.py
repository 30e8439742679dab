"""A shoot of flat tags, and the same shoot as a problem for COLMAP's bundle adjustment (Ceres).

J. L. Schoenberger and J.-M. Frahm, "Structure-from-motion revisited", CVPR 2016; S. Agarwal and
K. Mierle, Ceres Solver. COLMAP has no tags, but it has rigs, and a rig of cameras that is moved in
front of four fixed points is the same problem as a tag of four corners that is moved in front of
cameras that stand still: pixels = lens(sensor_from_rig * rig_from_tag * corner). So each photo is
a sensor of one rig, and each marker is one pose of the rig. The first photo is the rig's frame.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pycolmap
from scenes import Scene, small_scene, visible_squares

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens
from fitscan.markers.layout import CORNERS
from fitscan.survey.network import Network, SquareObservations, corner_observations
from fitscan.survey.priors import Priors
from fitscan.survey.state import State, rigid_of

SIGMA_PX = 0.3
FIXED = 1e-7
"""Standard deviation of what COLMAP keeps constant; small beside all that is told apart here."""

HALF = np.array([0.5, 0.5])
"""COLMAP's pixel (0, 0) is the corner of the first pixel, ours its centre."""


def model_of(lens: Array) -> list[float]:
    """COLMAP's FULL_OPENCV: fx, fy, cx, cy, k1, k2, p1, p2, k3, k4, k5, k6."""
    f, aspect, cx, cy, k1, k2, k3, p1, p2 = lens
    return [f, f * aspect, cx + 0.5, cy + 0.5, k1, k2, p1, p2, k3, 0.0, 0.0, 0.0]


def rigid3d(b_from_a: Rigid) -> Any:
    rotation = pycolmap.Rotation3d(np.ascontiguousarray(b_from_a.rotation))
    return pycolmap.Rigid3d(rotation, b_from_a.translation.copy())


def rigid_from(b_from_a: Any) -> Rigid:
    return Rigid(np.array(b_from_a.rotation.matrix()), np.array(b_from_a.translation))


def camera_of(lens: Lens, number: int, model: str) -> Any:
    params = model_of(lens.values)[: 12 if model == "FULL_OPENCV" else 8]
    return pycolmap.Camera(
        camera_id=number, model=model, width=lens.width_px, height=lens.height_px, params=params
    )


def sensor(i: int) -> Any:
    return pycolmap.sensor_t(pycolmap.SensorType.CAMERA, i + 1)


def exact() -> Any:
    options = pycolmap.BundleAdjustmentOptions()
    options.print_summary = False
    solver = options.ceres.solver_options
    solver.max_num_iterations = 200
    solver.function_tolerance = 0.0
    solver.gradient_tolerance = 1e-14
    solver.parameter_tolerance = 1e-15
    return options


@lru_cache(maxsize=1)
def shoot(photos: int, more: int = 0) -> tuple[Scene, Network, State, SquareObservations]:
    """Flat tags seen by a lens that is known: scene, unknowns, start values, noisy corners.

    Args:
        photos: how many.
        more: tags on the shell beside the usual 24.
    """
    scene = small_scene(7, photos, rules=False, nuisances=False, more=more)
    geometry, corners = visible_squares(scene)
    flat = geometry.cuff < 0
    geometry, corners = geometry.take(flat), corners[flat]
    seen, count = np.unique(geometry.marker, return_counts=True)
    often = np.isin(geometry.marker, seen[count >= 3])
    geometry, corners = geometry.take(often), corners[often]
    markers = [scene.markers[i] for i in np.unique(geometry.marker)]
    noisy = corners + np.random.default_rng(5).normal(0, SIGMA_PX, corners.shape)
    priors = Priors(
        focal_factor=FIXED, principal_point_px=FIXED, edge_shift_px=FIXED, printer=FIXED,
        ink_mm=FIXED, split_px=FIXED,
    )  # fmt: skip
    network = Network.of(
        scene.kit, [f"P{i}" for i in range(photos)], markers, scene.lens,
        np.diag((FIXED * np.abs(scene.lens.values) + FIXED * 1e-3) ** 2), priors,
    )  # fmt: skip
    row = network.marker_row
    own = network.geometry(geometry.tag_id.tolist(), geometry.photo.tolist())
    given = corner_observations(own, noisy, SIGMA_PX, np.zeros(len(own)))
    rows = [scene.markers.index(m) for m in row]
    state = replace(scene.state, marker=scene.state.marker[rows], form=np.zeros((0, 3)))
    return scene, network, state, given


def colmaps_shoot(count: int, options: Any, more: int = 0) -> tuple[Any, Any]:
    """The same observations and start values for COLMAP: the reconstruction, and its adjuster."""
    scene, network, _, given = shoot(count, more)
    photos = [rigid_of(p) for p in scene.state.photo]
    world = pycolmap.Reconstruction()
    config = pycolmap.BundleAdjustmentConfig()
    rig = pycolmap.Rig(rig_id=1)
    for i, photo in enumerate(photos):
        world.add_camera(camera_of(scene.lens, i + 1, "FULL_OPENCV"))
        if i == 0:
            rig.add_ref_sensor(sensor(i))
        else:
            rig.add_sensor(sensor(i), rigid3d(photo @ photos[0].inverse()))
        config.set_constant_cam_intrinsics(i + 1)
    world.add_rig(rig)
    for j, marker in enumerate(network.markers):
        _add_marker(world, config, given, j, rigid3d(photos[0] @ scene.poses[marker]))
    return world, pycolmap.create_default_ceres_bundle_adjuster(options, config, world)


def image_number(given: SquareObservations, j: int, i: int) -> int:
    """COLMAP's number of the image of marker `j` in photo `i`."""
    return 1 + j * (int(given.geometry.photo.max()) + 1) + i


def _add_marker(
    world: Any, config: Any, given: SquareObservations, j: int, rig_from_tag: Any
) -> None:
    """One pose of the rig, its images, and the tag's four corners as points that stay."""
    g = given.geometry
    mine = {int(g.photo[k]): int(k) for k in np.flatnonzero(g.marker == j)}
    frame = pycolmap.Frame(frame_id=j + 1, rig_id=1)
    frame.rig_from_world = rig_from_tag
    for i in mine:
        frame.add_data_id(pycolmap.data_t(sensor(i), image_number(given, j, i)))
    world.add_frame(frame)
    for i, k in mine.items():
        corners = given.observed[k, :8].reshape(4, 2) + HALF
        image = pycolmap.Image(
            name=f"{j} {i}", keypoints=corners, camera_id=i + 1, image_id=image_number(given, j, i)
        )
        image.frame_id = j + 1
        world.add_image(image)
        config.add_image(image.image_id)
    world.register_frame(j + 1)
    side_mm = float(g.side_mm[next(iter(mine.values()))])
    for corner in range(4):
        track = pycolmap.Track()
        for i in mine:
            track.add_element(image_number(given, j, i), corner)
        place = np.append(CORNERS[corner] * side_mm, 0.0)
        config.add_constant_point(world.add_point3D(place, track, np.zeros(3, np.uint8)))
