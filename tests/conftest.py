"""What holds for all tests: repeatable examples, no clock on a busy machine, no screen."""

from __future__ import annotations

import os

from hypothesis import settings

# On a shared machine a slow example is no fault; on CI the same examples come every time.
settings.register_profile("desk", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

# Plots are drawn into files only.
os.environ["MPLBACKEND"] = "Agg"
