"""Settings of libraries that must stand before these are loaded, so that a command starts at once.

Imported before everything else of the command line; what a user has set already stays.
"""

import os

# Our matrices are small: threads that wait for each other cost more than they save.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Pydantic looks through all installed packages for plugins of its own; we need none.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
