"""The kinds of results that reports, scenes and exports know: one small module for each.

A new kind of result joins with a module here that holds a `RESULT`, and one line in `MODULES`.
The module says what its file tells (`Section`) and, where it has places, what to draw (`Shapes`).
"""

from __future__ import annotations

from fitscan.report.kinds.result import MODULES, Result, result_of_kind

__all__ = ["MODULES", "Result", "result_of_kind"]
