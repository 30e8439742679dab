"""An acceptance run after VDI/VDE 2634 part 1: seven lines with five lengths each in a volume of
2 x 2 x 1.5 m, the length measuring error against a limit E = A + L / K.

The guideline (VDI/VDE 2634-1, "Optical 3-D measuring systems: imaging systems with point-by-point
probing", 2002; from memory) asks for at least seven lines of differing directions, at least five
lengths on each, the longest line being the volume's diagonal. Photos are simulated here; with
`fitscan verify` a workshop does the same against a rule of its own.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scenes import (
    PHONE,
    Noise,
    Scene,
    facing,
    looking_at,
    survey_of,
    take_photos,
    visible_squares,
    with_cameras,
)

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array, exp
from fitscan.markers.kit import Kit, RuleSpec, TagSpec
from fitscan.markers.layout import Layout
from fitscan.survey.state import State, pack_markers, pack_photos
from fitscan.survey.survey import Survey

SIZE = np.array([2000.0, 2000.0, 1500.0])
PLACES = np.array([0.0, 0.13, 0.3, 0.52, 0.76, 1.0])
"""Of six tags on a line: five lengths from the first of them."""

TAPE_U_MM, BAR_U_MM = 0.2, 0.015
"""Standard uncertainties of the two rules: read with a tape, or a calibrated scale bar."""

NOISE = Noise(edge_px=0.08, shift_px=0.05)
"""Corners as the rendered photos show them, see DEVELOPERS.md."""

LIMIT_MM = 0.10
"""A of the limit. L / K is twice what the rules' own u leave to the scale."""


def lines() -> list[tuple[Array, Array]]:
    """Ends of the seven lines: four diagonals of the volume, then one along each of its edges."""
    corner = np.array([[-1, -1, -1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) * SIZE / 2.0
    ends = [(c, -c) for c in corner]
    for axis, off in ((0, [0, 0.8, -0.7]), (1, [0.7, 0, 0.8]), (2, [-0.75, 0.6, 0])):
        way = np.eye(3)[axis] * SIZE / 2.0
        aside = np.array(off) * SIZE / 2.0
        ends.append((aside - way, aside + way))
    return ends


@lru_cache(maxsize=2)
def frame(rule_u_mm: float) -> Scene:
    """The lines' tags, turned towards whoever stands before them, and two rules at their feet."""
    rng = np.random.default_rng(26341)
    poses: dict[int, Rigid] = {}
    up = np.array([0.0, 0.0, 1.0])
    for i, (a, b) in enumerate(lines()):
        for k, share in enumerate(PLACES):
            normal = np.array([0.0, -1.0, 0.15]) + rng.normal(0, 0.12, 3)
            poses[6 * i + k] = facing(normal, up, a + share * (b - a) + rng.normal(0, 3.0, 3))
    ends = {50: (-450, -1050, -700), 51: (450, -1040, -690)}
    ends |= {52: (-820, -1000, -400), 53: (-800, -990, 480)}
    for m, place in ends.items():
        turn = exp(rng.normal(0, 0.03, 3))
        flat = facing(np.array([0.0, -1.0, 0.3]), up, np.array(place, dtype=float))
        poses[m] = Rigid(turn @ flat.rotation, flat.translation)
    rules = []
    for one, other in ((50, 51), (52, 53)):
        length = float(np.linalg.norm(poses[one].translation - poses[other].translation))
        read = length + rule_u_mm * rng.normal()
        rules.append(RuleSpec(ids=(one, other), length_mm=read, u_mm=rule_u_mm))
    kit = Kit(tag=tuple(TagSpec(id=i, side_mm=60.0, part="frame") for i in poses),
              rule=tuple(rules))  # fmt: skip
    cams = []
    for i in range(30):
        angle = np.radians(-60.0 + 120.0 * i / 29)
        height = (-500.0, 200.0, 900.0)[i % 3] + rng.normal(0, 80.0)
        eye = np.array([2700.0 * np.sin(angle), -2900.0 * np.cos(angle) + 300.0, height])
        aim = rng.normal(0, 150.0, 3)
        cams.append(looking_at(eye, aim, rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1)))
    state = State(pack_photos(cams), pack_markers(list(poses.values())), np.zeros((0, 3)),
                  PHONE.values[None], np.array([[0.997, 0.9985]]), np.array([[0.04]]))  # fmt: skip
    return with_cameras(Scene(kit, Layout.of(kit), tuple(poses), state, PHONE), cams, 5)


def lengths(survey: Survey, scene: Scene) -> Array:
    """Line, true length mm, length measuring error mm and its U (k = 2) of the 35 lengths."""
    out = []
    for i in range(len(lines())):
        for k in range(1, len(PLACES)):
            a, b = 6 * i, 6 * i + k
            span = survey.poses[survey.row(b)].translation - survey.poses[survey.row(a)].translation
            size = float(np.linalg.norm(span))
            true = scene.poses[b].translation - scene.poses[a].translation
            way = np.concatenate([-span, span]) / size
            joint = survey.joint([a, b]).reshape(2, 6, 2, 6)[:, 3:, :, 3:].reshape(6, 6)
            error = size - float(np.linalg.norm(true))
            u = 2.0 * float(np.sqrt(way @ joint @ way))
            out.append((i + 1, float(np.linalg.norm(true)), error, u))
    return np.array(out)


def print_table(name: str, table: Array, limit: Array) -> None:
    print(f"\n{name}")
    print("| line | length mm | error mm | U (k = 2) mm | limit mm |")
    print("|---|---|---|---|---|")
    for (line, length, error, u), most in zip(table, limit, strict=True):
        print(f"| {line:.0f} | {length:.1f} | {error:+.3f} | {u:.3f} | {most:.3f} |")
    worst = int(np.argmax(np.abs(table[:, 2]) / limit))
    print(f"largest error {np.abs(table[:, 2]).max():.3f} mm; worst share of the limit "
          f"{100 * abs(table[worst, 2]) / limit[worst]:.0f} %; within U "
          f"{np.mean(np.abs(table[:, 2]) <= table[:, 3]) * 100:.0f} %")  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("rule_u_mm", [TAPE_U_MM, BAR_U_MM], ids=["tape", "scale bar"])
def test_thirty_five_lengths_in_a_room_are_within_their_limit(rule_u_mm: float) -> None:
    scene = frame(rule_u_mm)
    geometry, _ = visible_squares(scene)
    assert len(set(geometry.marker.tolist())) == len(scene.markers)
    survey = survey_of(take_photos(scene, 7, NOISE))
    table = lengths(survey, scene)
    assert len(table) == 35
    assert table[:, 1].max() == pytest.approx(np.linalg.norm(SIZE), abs=20.0)
    scale_u = 1.0 / np.sqrt(sum((r.length_mm / r.u_mm) ** 2 for r in scene.kit.rule))
    limit = LIMIT_MM + 2.0 * scale_u * table[:, 1]
    print_table(f"rules with u = {rule_u_mm} mm", table, limit)
    assert np.all(np.abs(table[:, 2]) <= limit)
    assert np.all(table[:, 3] <= 1.2 * limit)
    assert np.mean(np.abs(table[:, 2]) <= table[:, 3]) >= 0.9
