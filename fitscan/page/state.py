"""The page's running state: job, phones, inbox, glances and worker, and what they say together.

Everything here can be rebuilt from the job's folder; nothing is lost with the process. Requests
and answers are left to `routes`.
"""

from __future__ import annotations

import contextlib
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from fitscan.errors import FitscanError
from fitscan.lens.camera_file import CameraFile, read_camera
from fitscan.markers.kit import Kit, read_kit
from fitscan.page.inbox import Arrived, Inbox
from fitscan.page.keys import Keyring
from fitscan.page.look import Glances
from fitscan.page.shop import Shop
from fitscan.page.worker import Job, Worker
from fitscan.photos.identity import CameraIdentity
from fitscan.photos.read import read_header
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import read_survey

__all__ = ["PageState"]

_FEWEST = 3
"""A survey of fewer photos than this is not tried; two hold too little together to be of use."""

WISH_MM = 0.5


class PageState:
    """Everything that one job's page holds.

    Args:
        folder: of the job.

    Raises:
        FitscanError: not a job's folder, or its kit or camera file cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.shop = Shop(folder.resolve())
        self.shop.open()
        self.kit: Kit = read_kit(self.shop.kit_file)
        file = self.shop.camera_file
        self.camera: CameraFile | None = read_camera(file) if file is not None else None
        self.keyring = Keyring(self.shop.own / "phones.json")
        self.inbox = Inbox(self.shop)
        self.glances = Glances()
        self.worker = Worker(self.shop.folder)
        self.wishes: dict[str, float] = {}
        self._surveys: dict[Path, tuple[int, Survey]] = {}
        self._lock = threading.Lock()

    def resume(self) -> None:
        """After a start: place photos that had arrived, and survey what has no fresh survey."""
        self.inbox.resume()
        for shoot in self.shop.shoots():
            if not self._fresh(shoot):
                self.ask_survey(shoot)

    def ask_survey(self, shoot: str) -> None:
        """Survey a shoot in the background, once it has photos enough."""
        if len(self.shop.photos(shoot)) >= _FEWEST:
            self.worker.survey(shoot)

    def arrived(self, photo: Arrived) -> dict[str, Any]:
        """What to tell the phone at once of a photo that is here."""
        if photo.already:
            return {"name": photo.name, "mark": "weak", "sentence": "Already here, byte for byte."}
        path = self.shop.photo(photo.shoot, photo.name)
        seen = self.glances.of(path, self.kit, self.camera, self._main_camera(photo.shoot, path))
        return asdict(seen)

    def _main_camera(self, shoot: str, but: Path) -> CameraIdentity | None:
        """Camera of the first photo of a shoot that can be read, the new one aside."""
        for path in self.shop.photos(shoot):
            if path != but:
                with contextlib.suppress(FitscanError):
                    return read_header(path).identity
        return None

    def survey(self, shoot: str) -> Survey | None:
        """A shoot's survey, if it has one that can be read."""
        file = self.shop.survey_file(shoot)
        try:
            stamp = file.stat().st_mtime_ns
        except OSError:
            return None
        with self._lock:
            known = self._surveys.get(file)
            if known is not None and known[0] == stamp:
                return known[1]
            try:
                survey = read_survey(file)
            except FitscanError:
                return None
            self._surveys[file] = (stamp, survey)
            return survey

    def _fresh(self, shoot: str) -> bool:
        """Whether the survey knows all photos of its shoot."""
        survey = self.survey(shoot)
        photos = {p.name for p in self.shop.photos(shoot)}
        return survey is not None and photos <= {p.name for p in survey.photos}

    def overview(self) -> dict[str, Any]:
        """The job at a glance, for the first screen and for every list to pick from."""
        return {
            "job": self.shop.folder.name,
            "parts": list(self.kit.parts),
            "shoots": [self._shoot_line(s) for s in self.shop.shoots()],
            "surveys": self._surveyed(),
            "records": list(self.shop.records()),
            "results": self.shop.results()[:100],
            "camera": self.camera is not None,
        }

    def _shoot_line(self, shoot: str) -> dict[str, Any]:
        return {
            "name": shoot,
            "photos": len(self.shop.photos(shoot)),
            "survey": self._job_words(self.worker.of_shoot(shoot)),
            "light": self.light(shoot),
        }

    def _surveyed(self) -> list[dict[str, Any]]:
        """Surveys to pick from: their tubes by part, and the parts with markers enough."""
        found = []
        for shoot in self.shop.shoots():
            survey = self.survey(shoot)
            if survey is not None:
                cuffs = [c for c in survey.kit.cuff if survey.has(c.first_id)]
                parts = [p for p in survey.kit.parts if len(survey.of_part(p)) >= 3]
                tubes = list(dict.fromkeys(c.tube for c in cuffs))
                found.append({"name": shoot, "tubes": tubes, "parts": parts})
        return found

    def shoot(self, name: str) -> dict[str, Any]:
        """One shoot: its photos with what was seen, its survey, what to do next."""
        self.shop.shoot(name)
        survey = self.survey(name)
        refused = {p.name: p.refused for p in survey.photos} if survey is not None else {}
        rows = [self._photo_line(p, refused) for p in self.shop.photos(name)]
        return {
            "name": name,
            "photos": rows,
            "survey": self._job_words(self.worker.of_shoot(name)),
            "light": self.light(name),
            "advice": list(survey.quality.advice) if survey is not None else [],
            "sketch": self.shop.sketch(name).is_file(),
            "warnings": list(survey.quality.warnings) if survey is not None else [],
        }

    def _photo_line(self, path: Path, refused: dict[str, str | None]) -> dict[str, Any]:
        """One photo: what the survey says of it, else what was seen on arrival."""
        seen = self.glances.known(path)
        mark, sentence = "waiting", "not looked at yet"
        if refused.get(path.name):
            mark, sentence = "bad", f"Not used: {refused[path.name]}."
        elif seen is not None:
            mark, sentence = seen.mark, seen.sentence
        elif path.name in refused:
            mark, sentence = "good", "used in the survey"
        return {"name": path.name, "mark": mark, "sentence": sentence}

    def light(self, shoot: str) -> dict[str, Any]:
        """Whether the wanted U is reached, in words of our own; U is k = 2, of cuffs and tags."""
        wish = self.wishes.get(shoot, WISH_MM)
        survey = self.survey(shoot)
        if survey is None:
            return {"state": "dark", "wish_mm": wish, "sentence": "No survey yet."}
        worst, at = _worst(survey)
        words = f"the least known, {at}, to ± {worst:.2f} mm"
        if worst <= wish:
            sentence = f"Enough photos: {len(survey.markers)} markers found, {words}."
            return {"state": "green", "wish_mm": wish, "U_mm": worst, "sentence": sentence}
        sentence = f"Not yet: {words}, wanted ± {wish:g} mm."
        return {"state": "amber", "wish_mm": wish, "U_mm": worst, "sentence": sentence}

    def _job_words(self, job: Job | None) -> dict[str, Any]:
        if job is None:
            return {"state": "none"}
        return {
            "id": job.id,
            "state": job.state,
            "step": job.step,
            "done": job.done,
            "total": job.total,
            "sentence": job.sentence,
            "notes": list(job.notes),
        }

    def job(self, job_id: str) -> dict[str, Any]:
        """What became of a task."""
        return self._job_words(self.worker.job(job_id))

    def stop(self) -> None:
        """End the worker."""
        self.worker.stop()


def _worst(survey: Survey) -> tuple[float, str]:
    """Largest U (k = 2) of a marker's centre in any direction, mm, and the marker's name."""
    n = len(survey.markers)
    blocks = survey.covariance.reshape(n, 6, n, 6)[np.arange(n), :, np.arange(n), :]
    spread = 2.0 * np.sqrt(np.linalg.eigvalsh(blocks[:, 3:, 3:])[:, -1])
    row = int(np.argmax(spread))
    marker = survey.markers[row]
    cuff = next((c for c in survey.kit.cuff if c.first_id == marker), None)
    named = f"cuff {marker} on {cuff.tube}" if cuff is not None else f"marker {marker}"
    return float(spread[row]), named
