"""A survey and its results for other programs: tables, meshes, drawings, and the list of them.

Every file says its unit and its frame. What is written comes from `fitscan.report.space`.
"""

from __future__ import annotations

from fitscan.report.exchange.write import FORMATS, Export, write_export

__all__ = ["FORMATS", "Export", "write_export"]
