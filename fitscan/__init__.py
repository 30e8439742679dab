"""Measure how a welded tube cage fits a car, from phone photos of printed markers.

The package root holds the version and nothing else, so that importing it costs nothing.
"""

__all__ = ["__version__"]

__version__ = "0.1.0"
