"""Start values: both poses of a square, which one the other photos choose, what hangs together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    PHONE,
    Noise,
    Scene,
    Shots,
    facing,
    looking_at,
    small_kit,
    small_scene,
    survey_of,
    take_photos,
    with_cameras,
)

from fitscan.detect.tags import Detections
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp, log
from fitscan.lens.model import Lens
from fitscan.markers.kit import Kit, TagSpec
from fitscan.markers.layout import Layout
from fitscan.survey.start import Placement, groups_of_photos, place, sight_markers, square_poses
from fitscan.survey.state import State, pack_markers, pack_photos


@given(
    sets=st.lists(st.sets(st.integers(0, 12), max_size=4), min_size=1, max_size=12),
)
def test_photos_hang_together_exactly_when_a_chain_of_markers_joins_them(
    sets: list[set[int]],
) -> None:
    groups = groups_of_photos(sets)
    assert sorted(i for g in groups for i in g) == list(range(len(sets)))
    # Independent way: powers of the matrix of shared markers.
    shared = np.array([[bool(a & b) or i == j for j, b in enumerate(sets)]
                       for i, a in enumerate(sets)])  # fmt: skip
    reach = np.linalg.matrix_power(shared.astype(float), len(sets)) > 0
    for g in groups:
        assert np.all(reach[np.ix_(g, g)])
        others = [i for i in range(len(sets)) if i not in g]
        assert not np.any(reach[np.ix_(g, others)])
    sizes = [len(g) for g in groups]
    assert sizes == sorted(sizes, reverse=True)


def corners_of(side: float) -> np.ndarray:
    return 0.5 * side * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])


@given(seed=st.integers(0, 2**32 - 1), tilt=st.floats(0.1, 1.1))
def test_one_of_a_squares_two_poses_is_the_true_one(seed: int, tilt: float) -> None:
    rng = np.random.default_rng(seed)
    about = exp(np.array([0.0, 0.0, rng.uniform(0, 6.28)]))
    flip = np.diag([1.0, -1.0, -1.0])  # A square that faces the camera.
    rotation = flip @ exp(np.array([tilt, 0.0, 0.0])) @ about
    cam_from_marker = Rigid(rotation, np.array([*rng.uniform(-100, 100, 2), 600.0]))
    seen = cam_from_marker.apply(corners_of(40.0))
    poses = square_poses(corners_of(40.0), seen[:, :2] / seen[:, 2:])
    assert len(poses) == 2
    errors = [
        float(np.linalg.norm(log(p.rotation.T @ rotation)))
        + float(np.linalg.norm(p.translation - cam_from_marker.translation)) / 600.0
        for p in poses
    ]
    assert min(errors) < 1e-4


def test_a_cuffs_squares_give_the_pose_of_the_cuff_and_not_of_the_square() -> None:
    scene = small_scene(1, 16, nuisances=False)
    shots = take_photos(scene, 1, Noise(corner_px=0.0))
    cuff = scene.layout
    g = shots.geometry
    checked = 0
    for i in np.flatnonzero(g.cuff >= 0)[::9]:
        rays = PHONE.rays(shots.first[i])
        poses = square_poses(cuff.tags[int(g.tag_id[i])].corners(), rays)
        row = scene.state.photo[g.photo[i]]
        true = Rigid(row[:9].reshape(3, 3), row[9:12]) @ scene.poses[scene.markers[g.marker[i]]]
        off = [np.linalg.norm(p.translation - true.translation) for p in poses]
        # Corners on a cylinder are nearly coplanar: right to a few millimetres at a metre.
        assert min(off) < 12.0
        checked += 1
    assert checked > 5


def wall(seed: int, noise_px: float) -> tuple[Shots, list[Detections]]:
    """Nine tags of 25 mm on a wall, seen almost head-on from two metres: some 38 px wide."""
    rng = np.random.default_rng(seed)
    kit = Kit(tag=tuple(TagSpec(id=i, side_mm=25.0, part="shell") for i in range(9)))
    poses = {
        i: facing(
            np.array([1.0, 0, 0]) + rng.normal(0, 0.05, 3),
            np.array([0.0, 0, 1.0]),
            np.array([0.0, 260.0 * (i % 3 - 1), 240.0 * (i // 3 - 1)]),
        )
        for i in range(9)
    }
    state = State(
        pack_photos([Rigid.identity()]), pack_markers(list(poses.values())), np.zeros((0, 3)),
        PHONE.values[None], np.ones((1, 2)), np.zeros((1, 1)),
    )  # fmt: skip
    cams = []
    for k in range(7):
        eye = np.array([2000.0, 260.0 * (k - 3), rng.uniform(-300, 300)])
        cams.append(looking_at(eye, np.zeros(3), rng.normal(0, 0.1)))
    scene = with_cameras(Scene(kit, Layout.of(kit), tuple(poses), state, PHONE), cams)
    shots = take_photos(scene, seed, Noise(corner_px=noise_px))
    found = [
        Detections(
            shots.geometry.tag_id[shots.geometry.photo == i], shots.first[shots.geometry.photo == i]
        )
        for i in range(len(cams))
    ]
    return shots, found


def turned_wrong(placement: Placement, scene: Scene) -> list[int]:
    """Markers whose normal is more than 30 degrees from the truth."""
    ids = sorted(placement.markers)
    here = np.array([placement.markers[m].translation for m in ids])
    there = np.array([scene.poses[m].translation for m in ids])
    world_from_start = align_points(here, there, with_scale=True).b_from_a
    out = []
    for m in ids:
        normal = world_from_start.turn(placement.markers[m].rotation[:, 2])
        if normal @ scene.poses[m].rotation[:, 2] < np.cos(np.radians(30.0)):
            out.append(m)
    return out


def first_choices(scene: Scene, found: list[Detections]) -> tuple[int, int]:
    """How often the better fitting pose of a single square is the mirrored one."""
    wrong = total = 0
    for row, detections in zip(scene.state.photo, found, strict=True):
        for m, sight in sight_markers(detections, PHONE, scene.layout).items():
            true = row[:9].reshape(3, 3) @ scene.poses[m].rotation
            total += 1
            wrong += bool(sight.candidates[0].rotation[:, 2] @ true[:, 2] < np.cos(0.3))
    return wrong, total


def test_tags_seen_head_on_from_afar_flip_one_by_one_and_not_in_the_survey() -> None:
    flipped = seen = late = 0
    for seed in range(4):
        shots, found = wall(seed, 0.4)
        wrong, total = first_choices(shots.scene, found)
        flipped, seen = flipped + wrong, seen + total
        placement = place(found, [PHONE] * len(found), shots.scene.layout)
        assert len(placement.photos) == len(found)
        assert sorted(placement.markers) == list(range(9))
        late += len(turned_wrong(placement, shots.scene))
        survey = survey_of(shots)
        solved = Placement({}, dict(zip(survey.markers, survey.poses, strict=True)))
        assert sorted(solved.markers) == list(range(9))
        assert turned_wrong(solved, shots.scene) == [], seed
    # The trap is there: a fifth and more of single squares choose the mirrored pose. Together
    # they choose better, and the adjustment turns the rest over.
    assert flipped > 0.15 * seen
    assert late <= 0.2 * 36


@pytest.mark.parametrize("seed", range(4))
def test_a_cabins_photos_and_markers_are_placed_to_centimetres(seed: int) -> None:
    scene = small_scene(seed + 1, 20)
    shots = take_photos(scene, seed, Noise(corner_px=0.4))
    g = shots.geometry
    found = [Detections(g.tag_id[g.photo == i], shots.first[g.photo == i]) for i in range(20)]
    lens = Lens(PHONE.values * np.r_[1.004, np.ones(8)], 4032, 3024)
    placement = place(found, [lens] * 20, scene.layout)
    ids = sorted(placement.markers)
    counts = {m: len(set(g.photo[g.marker == i].tolist())) for i, m in enumerate(scene.markers)}
    assert set(ids) >= {m for m, n in counts.items() if n >= 3}
    assert len(turned_wrong(placement, scene)) <= 2
    here = np.array([placement.markers[m].translation for m in ids])
    there = np.array([scene.poses[m].translation for m in ids])
    left = align_points(here, there, with_scale=True).apply(here) - there
    assert np.median(np.linalg.norm(left, axis=1)) < 30.0
    assert np.linalg.norm(left, axis=1).max() < 120.0


def test_a_photo_without_a_placed_marker_stays_out_and_nothing_gives_nothing() -> None:
    shots, found = wall(0, 0.2)
    none = Detections(np.zeros(0, dtype=np.intp), np.zeros((0, 4, 2)))
    placement = place([*found, none], [PHONE] * (len(found) + 1), shots.scene.layout)
    assert len(found) not in placement.photos
    empty = place([none, none], [PHONE] * 2, Layout.of(small_kit()))
    assert (empty.photos, empty.markers) == ({}, {})


def test_a_marker_has_the_same_poses_whatever_else_its_photo_shows() -> None:
    scene = small_scene(1, 16)
    shots = take_photos(scene, 4)
    rows = np.flatnonzero(shots.geometry.photo == 5)
    found = Detections(shots.geometry.tag_id[rows], shots.first[rows])
    together = sight_markers(found, PHONE, scene.layout)
    assert len(together) > 3
    assert max(len(s.rays) for s in together.values()) > 4
    for marker, sight in together.items():
        alone = sight_markers(found.keep(set(scene.layout.markers[marker])), PHONE, scene.layout)
        assert alone[marker].sure == sight.sure
        for a, b in zip(alone[marker].candidates, sight.candidates, strict=True):
            assert a.rotation == pytest.approx(b.rotation, abs=1e-9)
            assert a.translation == pytest.approx(b.translation, abs=1e-6)
    assert sight_markers(found.keep(set()), PHONE, scene.layout) == {}
