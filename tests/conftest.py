"""What holds for all tests: repeatable examples, no clock on a busy machine, no screen."""

from __future__ import annotations

import os

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
