"""What holds for all tests: repeatable examples, no clock on a busy machine, no screen."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# Small matrices: threads of the linear algebra that wait for each other cost twenty times what
# they save on a busy machine. Read when NumPy loads, which is after this.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# On a shared machine a slow example is no fault; on CI the same examples come every time.
settings.register_profile("desk", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

# Plots are drawn into files only.
os.environ["MPLBACKEND"] = "Agg"

_SHARED = {"cli"}
"""Folders whose tests share what a session makes once: painted photos, surveys of them."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Where tests run side by side (`-n auto --dist loadgroup`), keep what shares its set-up
    together: a file, or a folder of `_SHARED`.
    """
    if not config.pluginmanager.hasplugin("xdist"):
        return
    for item in items:
        folder = item.path.parent
        together = folder if folder.name in _SHARED else item.path
        item.add_marker(pytest.mark.xdist_group(together.relative_to(config.rootpath).as_posix()))
