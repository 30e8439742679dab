"""The law of propagation of uncertainty, under the name that comparisons know it by.

It lives in `fitscan.shape`, because shapes state their uncertainty too.
"""

from __future__ import annotations

from fitscan.shape.propagate import MarkerInput, propagate, propagate_with

__all__ = ["MarkerInput", "propagate", "propagate_with"]
