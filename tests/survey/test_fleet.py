"""The same call on a cluster: joblib's dask backend takes the photos of a shoot."""

from __future__ import annotations

import os
from pathlib import Path

import joblib
import numpy as np
from distributed import Client, LocalCluster
from quick_shoots import PHOTOS, kit, paint_door

from fitscan.survey.look import Looked, look_at
from fitscan.survey.workers import run_all


def quiet(sentence: str, done: int, total: int) -> None:
    """Progress that nobody reads."""


def looked(folder: Path) -> Looked:
    paths = sorted(folder.glob("*.jpg"))
    assert len(paths) == PHOTOS
    return look_at(paths, set(kit().tag_ids), 2, quiet)


def test_a_local_dask_cluster_finds_what_this_computer_finds(tmp_path: Path) -> None:
    paint_door(tmp_path / "door", 1)
    here = looked(tmp_path / "door")
    # With a single thread joblib would do the work itself.
    cluster = LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1, threads_per_worker=2, processes=True, dashboard_address=None, silence_logs=50
    )
    client_of = Client(cluster)  # type: ignore[no-untyped-call]
    with cluster, client_of as client, joblib.parallel_config(backend="dask"):
        there = looked(tmp_path / "door")
        workers = set(client.run(os.getpid).values())
        used = set(run_all(os.getpid, [()] * 3, 2, quiet, ""))
    assert used == workers
    assert os.getpid() not in workers
    assert there.sha256 == here.sha256
    for a, b in zip(there.found, here.found, strict=True):
        assert np.array_equal(a.ids, b.ids)
        assert np.array_equal(a.corners_px, b.corners_px)
        assert len(a) > 5
