"""Settings that must stand before libraries are loaded, so that a command starts and ends at once.

Imported before everything else of the command line; what a user has set already stays.
"""

import atexit
import gc
import os

# Our matrices are small: threads that wait for each other cost more than they save.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Pydantic looks through all installed packages for plugins of its own; we need none.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
# What a command loads lives to its end, and so does most of what a survey makes: looking through it
# for garbage takes up to 0.05 s. Most commands never make so much that it is looked through at all.
gc.set_threshold(250_000, 20, 50)
# All memory is given back as the program ends: looking through it for garbage takes 0.1 s.
atexit.register(gc.freeze)
