"""One job's folder as the page sees it: its shoots, surveys, records and results, by safe names.

No path is ever made from a request: a name is looked up among what the folder holds, or, for a
new shoot, held to a narrow pattern first. What the files mean is left to the layers below.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from fitscan.errors import FitscanError, InputError
from fitscan.job.layout import keep_job
from fitscan.photos.shoot import list_photos, natural_key
from fitscan.store.access import make_folder
from fitscan.store.json_file import kind_of

__all__ = ["OWN", "Shop", "clean_name", "safe_photo_name"]

OWN = ".fitscan-page"
"""The page's own folder within the job: keys and half-sent photos."""

PHOTOS, SURVEYS, RECORDS, RESULTS = "photos", "surveys", "records", "results"
_SHOOT = re.compile(r"[\w][\w .-]{0,59}", re.UNICODE)
_RESULT = re.compile(r"[a-z]+-[0-9]{8}-[0-9]{6}-[0-9a-f]{4}")
_PHOTO = re.compile(r"[^\w .()+-]", re.UNICODE)
_LONGEST_PHOTO_NAME = 80


def clean_name(text: str, what: str) -> str:
    """A name for a folder: letters, digits, spaces, dots, hyphens; none that hides or climbs.

    Raises:
        InputError: the name cannot be used.
    """
    name = unicodedata.normalize("NFC", " ".join(text.split())).rstrip(". ")
    if not _SHOOT.fullmatch(name):
        raise InputError(
            f"{text[:60]!r} cannot be the name of {what}",
            "",
            "use letters, digits, spaces and hyphens, up to 60",
        )
    return name


def safe_photo_name(text: str, ending: str) -> str:
    """A photo's name without anything that a file system or a page could misread."""
    last = unicodedata.normalize("NFC", text.replace("\\", "/").rpartition("/")[2])
    stem = _PHOTO.sub("_", last.rpartition(".")[0] or last).strip(" .")[:_LONGEST_PHOTO_NAME]
    return f"{stem or 'photo'}{ending}"


@dataclass(frozen=True)
class Shop:
    """A job's folder.

    Attributes:
        folder: the job, with `kit.toml` in it.
    """

    folder: Path

    @property
    def kit_file(self) -> Path:
        """The kit of the job."""
        return self.folder / "kit.toml"

    @property
    def camera_file(self) -> Path | None:
        """The camera file of the job, if there is one."""
        file = self.folder / "camera.json"
        return file if file.is_file() else None

    @property
    def own(self) -> Path:
        """The page's own folder."""
        return self.folder / OWN

    def open(self) -> None:
        """Make what is missing of a job's folder, and put on its list what people brought.

        Raises:
            InputError: no such folder, or no kit in it.
        """
        if not self.folder.is_dir():
            raise InputError("There is no such job folder", self.folder, "check the name")
        if not self.kit_file.is_file():
            raise InputError(
                "The job folder has no kit.toml",
                self.folder,
                "put the kit file of `fitscan sheets` into it",
            )
        keep_job(self.folder)

    def shoots(self) -> list[str]:
        """Names of the shoots' folders, as people count."""
        place = self.folder / PHOTOS
        found = [p for p in place.iterdir() if p.is_dir() and not p.is_symlink()]
        return sorted((p.name for p in found if _SHOOT.fullmatch(p.name)), key=natural_key)

    def shoot(self, name: str) -> Path:
        """Folder of a shoot that is there.

        Raises:
            InputError: there is none of this name.
        """
        if name not in self.shoots():
            raise InputError(f"There is no shoot {name[:60]!r}", "", "choose one from the list")
        return self.folder / PHOTOS / name

    def new_shoot(self, name: str) -> str:
        """Make a shoot's folder; one that is there already is used.

        Raises:
            InputError: the name cannot be used.
            EnvironmentProblem: the disk is full or read-only.
        """
        clean = clean_name(name, "a shoot")
        alike = [s for s in self.shoots() if s.casefold() == clean.casefold()]
        if alike:
            return alike[0]
        make_folder(self.folder / PHOTOS / clean)
        return clean

    def photos(self, shoot: str) -> list[Path]:
        """Photos of a shoot, as people count."""
        folder = self.shoot(shoot)
        try:
            return list_photos(folder)
        except InputError:
            return []

    def photo(self, shoot: str, name: str) -> Path:
        """A photo that is there.

        Raises:
            InputError: there is none of this name.
        """
        for path in self.photos(shoot):
            if path.name == name:
                return path
        raise InputError(f"There is no photo {name[:80]!r}", shoot, "choose one from the list")

    def survey_file(self, shoot: str) -> Path:
        """Where a shoot's survey is kept."""
        return self.folder / SURVEYS / f"{self.shoot(shoot).name}.json"

    def sketch(self, shoot: str) -> Path:
        """Where the sketch of a shoot's next photos is kept, if there is one."""
        file = self.survey_file(shoot)
        return file.with_name(f"{file.stem}-advice.png")

    def surveys(self) -> dict[str, Path]:
        """Surveys of the job by their name."""
        return self._of_kind(SURVEYS, "fitscan.survey")

    def records(self) -> dict[str, Path]:
        """Records of the job by their name."""
        return self._of_kind(RECORDS, "fitscan.record")

    def _of_kind(self, folder: str, kind: str) -> dict[str, Path]:
        files = sorted((self.folder / folder).glob("*.json"), key=lambda f: natural_key(f.name))
        return {f.stem: f for f in files if not f.is_symlink() and _kind(f) == kind}

    def result(self, result_id: str) -> Path:
        """Where a result is kept; the folder is made.

        Raises:
            InputError: not the name of a result.
        """
        if not _RESULT.fullmatch(result_id):
            raise InputError("There is no such result", "", "choose one from the list")
        return make_folder(self.folder / RESULTS) / f"{result_id}.json"

    def results(self) -> list[str]:
        """Names of the results that are there, the newest first."""
        folder = self.folder / RESULTS
        found = [f.stem for f in folder.glob("*.json")] if folder.is_dir() else []
        return sorted(
            (n for n in found if _RESULT.fullmatch(n)), key=lambda n: n.split("-")[1:], reverse=True
        )

    def result_files(self, result_id: str) -> dict[str, Path]:
        """What belongs to a result, pictures included, by file name."""
        file = self.result(result_id)
        return {p.name: p for p in sorted(file.parent.glob(f"{file.stem}[.-]*")) if p.is_file()}


def _kind(file: Path) -> str | None:
    try:
        return kind_of(file)
    except (FitscanError, OSError):
        return None
