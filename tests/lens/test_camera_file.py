import json
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from fitscan.errors import InputError
from fitscan.lens.camera_file import (
    CameraFile,
    CoverageEntry,
    IdentityEntry,
    LensEntry,
    PhotoEntry,
    read_camera,
    write_camera,
)
from fitscan.lens.model import LENS_PARAMETERS, Lens
from fitscan.photos.identity import CameraIdentity

PHONE = CameraIdentity("Lumen", "P7", None, 5.4, 26.0, None, 4032, 3024)
LENS = Lens(np.array([3020.0, 1.0003, 2010.0, 1495.0, 0.045, -0.08, 0.02, 3e-4, -2e-4]), 4032, 3024)


def camera(covariance: object = None) -> CameraFile:
    if covariance is None:
        covariance = tuple(tuple(map(float, row)) for row in np.diag(np.arange(1.0, 10.0)) + 0.1)
    return CameraFile(
        made_at="2031-04-05T06:07:08+00:00",
        tool_version="0.1.0",
        identity=IdentityEntry.of(PHONE),
        board="chess:7x5:30",
        lens=LensEntry.of(LENS),
        covariance=covariance,  # type: ignore[arg-type]
        rms_px=0.15,
        coverage=CoverageEntry(share=0.9, radius=0.95),
        photos=(
            PhotoEntry(
                name='ta"f<b>el 1.jpg',
                sha256="0" * 64,
                used=False,
                reason="it is blurred",
                corners=0,
                dropped=0,
                rms_px=None,
                tilt_deg=None,
            ),
        ),
    )


def test_what_is_read_equals_what_was_written(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    write_camera(path, camera())
    back = read_camera(path)
    assert back == camera()
    assert back.identity.identity() == PHONE
    np.testing.assert_array_equal(back.lens_model().values, LENS.values)
    assert (back.lens_model().width_px, back.lens_model().height_px) == (4032, 3024)
    content = json.loads(path.read_text("utf-8"))
    assert (content["kind"], content["schema_version"]) == ("fitscan.camera", 1)
    assert tuple(content["lens"]) == LENS_PARAMETERS


def test_an_existing_file_is_not_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    write_camera(path, camera())
    with pytest.raises(InputError, match="exists already"):
        write_camera(path, camera())
    write_camera(path, camera(), replace=True)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"zoom": 2}, '"zoom" is not known'),
        ({"lens": {"f_px": 3000.0}}, "is missing"),
        ({"rms_px": "small"}, '"rms_px" must be a number'),
        ({"covariance": [[1.0] * 9] * 8}, "covariance"),
        ({"kind": "fitscan.survey"}, "a camera file of fitscan is needed"),
        ({"schema_version": 2}, "newer fitscan"),
    ],
)
def test_a_file_changed_by_hand_is_refused_with_a_sentence(
    tmp_path: Path, change: dict[str, object], said: str
) -> None:
    path = tmp_path / "camera.json"
    write_camera(path, camera())
    content = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps({**content, **change}), "utf-8")
    with pytest.raises(InputError) as caught:
        read_camera(path)
    assert said in str(caught.value)


def test_a_matrix_that_is_no_covariance_is_refused() -> None:
    skewed = np.diag(np.ones(9))
    skewed[0, 1] = 0.5
    indefinite = np.diag(np.ones(9))
    indefinite[0, 1] = indefinite[1, 0] = 1.5
    for matrix in (skewed, indefinite, np.zeros((9, 9)), -np.eye(9)):
        with pytest.raises(ValidationError, match="covariance"):
            camera(tuple(tuple(map(float, row)) for row in matrix))
