"""The one door through which Open3D comes in, late and with its missing system packages named.

What it is used for is left to `scan` and `scan_surface`.
"""

from __future__ import annotations

from typing import Any

from fitscan.errors import EnvironmentProblem

__all__ = ["load_open3d"]

_PACKAGES = {
    "libGL": "libgl1",
    "libEGL": "libegl1",
    "libgomp": "libgomp1",
    "libusb": "libusb-1.0-0",
    "libX11": "libx11-6",
    "libudev": "libudev1",
}
"""Shared libraries that Open3D opens, and Debian's packages that bring them."""


def load_open3d() -> Any:
    """Return the module `open3d`, told to keep quiet.

    Raises:
        EnvironmentProblem: it is not installed, or a system library is missing.
    """
    try:
        import open3d
    except (ImportError, OSError) as error:
        said = str(error)
        missing = [package for stem, package in _PACKAGES.items() if stem in said]
        if isinstance(error, ModuleNotFoundError) and error.name == "open3d":
            todo = "install it with: pip install open3d-cpu (pip install open3d off Linux x86-64)"
        else:
            packages = " ".join(missing or sorted(set(_PACKAGES.values())))
            todo = f"install the system's packages with: apt-get install {packages}"
        raise EnvironmentProblem(
            f"Scans need the library Open3D, which cannot be loaded: {said.splitlines()[0]}"
            if said
            else "Scans need the library Open3D, which cannot be loaded",
            "",
            f"{todo}; everything but scans works without it",
        ) from error
    open3d.utility.set_verbosity_level(open3d.utility.VerbosityLevel.Error)
    return open3d
