"""Print how far surveys of rendered photos are from the truth, for any folder with truth files.

    python tests/accuracy.py sample_images [camera.json]

The folder holds kit.toml, a folder of photos per shoot, and truth/<shoot>.json.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from truth import accuracy, read_truth

from fitscan.lens.camera_file import read_camera
from fitscan.markers.kit import read_kit
from fitscan.survey.shoot import survey_folder


def main(folder: Path, camera_file: Path | None) -> None:
    """Survey every shoot that has a truth file and print one line each."""
    kit = read_kit(folder / "kit.toml")
    camera = read_camera(camera_file) if camera_file else None
    print(
        f"{'shoot':<14}{'markers':>8}{'centres mm':>12}{'max':>7}{'axis mm':>9}{'dir deg':>9}"
        f"{'scale ppm':>11}{'U ppm':>7}{'cuff squares':>16}{'false':>7}{'s':>7}"
    )
    for path in sorted((folder / "truth").glob("*.json")):
        shoot = folder / path.stem
        if not shoot.is_dir():
            continue
        begin = time.monotonic()
        survey = survey_folder(shoot, kit, camera)
        took = time.monotonic() - begin
        a = accuracy(survey, read_truth(path))
        share = 100.0 * a.found_cuffs / max(a.visible_cuffs, 1)
        cuffs = f"{a.found_cuffs}/{a.visible_cuffs} {share:.0f}%"
        print(
            f"{path.stem:<14}{len(survey.markers):>8}{a.centres_rms:>12.4f}{a.centres_max:>7.3f}"
            f"{a.axis_rms:>9.4f}{a.direction_max:>9.4f}{1e6 * a.scale_error:>11.0f}"
            f"{2e6 * a.scale_u:>7.0f}{cuffs:>16}{'':>7}{took:>7.1f}"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
