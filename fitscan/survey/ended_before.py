"""Where an earlier survey of a shoot ended: the one with a photo more begins there.

Only a start is kept. What follows from the photos is measured and adjusted as ever; what was
measured in them is `measured_before`'s.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fitscan.lens.match import LensPrior
from fitscan.markers.kit import Kit
from fitscan.store.sealed import keep_arrays, recall_arrays
from fitscan.survey.found_before import fingerprint
from fitscan.survey.network import Network
from fitscan.survey.priors import Priors
from fitscan.survey.start import Placement
from fitscan.survey.state import State, rigid_of

__all__ = ["End", "Ended"]

_SOURCES = ("adjust", "detect", "geometry", "lens", "markers", "survey", "store/sealed.py")

_MOST_NEW = 0.25
"""Share of photos up to which new ones hardly move what the others say."""


@dataclass(frozen=True)
class Ended:
    """An adjustment that came to its end.

    Attributes:
        looked: (l,) hashes of all photos that could be read.
        photos: (n,) hashes of those that took part, in the order of the state's rows.
        markers: (m,) ids, in the order of the state's rows.
        cuffs: (c,) first ids, in the order of the state's forms.
        state: the estimate.
        priors: as the shoot has taught them.
        factors: by how much the standard deviations of flat and cuff squares were scaled.
    """

    looked: tuple[str, ...]
    photos: tuple[str, ...]
    markers: tuple[int, ...]
    cuffs: tuple[int, ...]
    state: State
    priors: Priors
    factors: tuple[float, float]

    def begins(self, looked: tuple[str, ...]) -> bool:
        """Whether a survey of the photos with these hashes may begin here: few are new, none gone.

        Where none is new there is nothing to begin: what was measured says the same once more.
        """
        new = set(looked) - set(self.looked)
        return 0 < len(new) <= _MOST_NEW * len(looked) and set(self.looked) <= set(looked)

    def placement(self, looked: tuple[str, ...]) -> Placement:
        """Photos, by their number in the new survey, and markers."""
        row = {sha256: i for i, sha256 in enumerate(looked)}
        photos = {row[p]: rigid_of(v) for p, v in zip(self.photos, self.state.photo, strict=True)}
        markers = zip(self.markers, self.state.marker, strict=True)
        return Placement(photos, {m: rigid_of(v) for m, v in markers})

    def state_of(self, network: Network, state: State, photos: list[str]) -> State:
        """A start state of a network, with all that is known from here.

        Args:
            network: of the new survey.
            state: its start, from the placement alone.
            photos: (n,) hashes in the order of its rows.
        """
        photo, form = state.photo.copy(), state.form.copy()
        own = dict(zip(self.photos, self.state.photo, strict=True))
        for i, sha256 in enumerate(photos):
            photo[i] = own.get(sha256, photo[i])
        forms = dict(zip(self.cuffs, self.state.form, strict=True))
        for cuff, i in network.cuff_row.items():
            form[i] = forms.get(cuff, form[i])
        return replace(self.state, photo=photo, marker=state.marker, form=form)


class End:
    """The place where the end of a shoot's last survey is kept."""

    def __init__(self, folder: Path, name: str, kit: Kit, camera: LensPrior) -> None:
        """Of the shoot of this name, with this kit and prior of the lens."""
        digest = hashlib.sha256(f"{name}\n{fingerprint(*_SOURCES)}\n".encode())
        digest.update(kit.model_dump_json().encode())
        for part in (camera.lens.values, camera.covariance):
            digest.update(np.ascontiguousarray(part).tobytes())
        self._place = folder / f"{digest.hexdigest()[:32]}.ended"

    def recall(self) -> Ended | None:
        """The end of the last survey, if it is there and can be read."""
        entry = recall_arrays(self._place)
        if entry is None:
            return None
        try:
            state = State(**{f.name: _floats(entry[f.name]) for f in fields(State)})
            priors = Priors(*_floats(entry["priors"]).tolist())
            flat, cuff = _floats(entry["factors"]).tolist()
            return Ended(
                tuple(entry["looked"].tolist()), tuple(entry["photos"].tolist()),
                tuple(entry["markers"].tolist()), tuple(entry["cuffs"].tolist()),
                state, priors, (flat, cuff),
            )  # fmt: skip
        except (KeyError, TypeError, ValueError):
            return None

    def keep(self, ended: Ended) -> None:
        """Write it; that it cannot be written costs time later and nothing else."""
        arrays: dict[str, npt.ArrayLike] = {
            name: getattr(ended, name)
            for name in ("looked", "photos", "markers", "cuffs", "factors")
        }
        arrays |= {f.name: getattr(ended.state, f.name) for f in fields(State)}
        keep_arrays(
            self._place,
            {**arrays, "priors": [getattr(ended.priors, f.name) for f in fields(Priors)]},
        )

    def forget(self) -> None:
        """Let the next survey begin from nothing."""
        # Where it may not be taken away, it could not be written either, and is of another time.
        with suppress(OSError):
            self._place.unlink(missing_ok=True)


def _floats(values: npt.NDArray[np.generic]) -> npt.NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)
