"""Measure a PDF as if it were printed: pages as exact grey images, edges in mm, tags by OpenCV.

The PDF is rasterised by pdfium, which knows nothing of how the sheets were drawn.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2

Array = npt.NDArray[np.float64]
Grey = npt.NDArray[np.uint8]


class PrintedPage:
    """One page at a resolution; x to the right and y downwards in mm from its upper left."""

    def __init__(self, page: Any, dpi: float) -> None:
        self.text: str = page.get_textpage().get_text_range()
        self.width_mm, self.height_mm = (s * 25.4 / 72.0 for s in page.get_size())
        bitmap = page.render(scale=dpi / 72.0, grayscale=True)
        self.grey: Grey = np.ascontiguousarray(bitmap.to_numpy().reshape(bitmap.height, -1))
        # pdfium stretches the page to whole pixels.
        self.px_per_mm = np.array(
            [bitmap.width / self.width_mm, bitmap.height / self.height_mm], dtype=np.float64
        )

    @cached_property
    def tags(self) -> dict[int, Array]:
        """Corners (4, 2) in mm of every tag that OpenCV's own detector finds, by id."""
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
        options = cv2.aruco.DetectorParameters()
        options.minMarkerPerimeterRate = 0.01
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(self.grey)
        found: dict[int, Array] = {}
        for tag_id, quad in zip(np.ravel(ids) if len(corners) else [], corners, strict=True):
            assert int(tag_id) not in found, f"id {tag_id} is on the page twice"
            # A pixel's centre lies half a pixel from its edges, from which mm are counted.
            found[int(tag_id)] = (np.asarray(quad, float).reshape(4, 2) + 0.5) / self.px_per_mm
        return found

    def black(self, x0: float, x1: float, y0: float, y1: float) -> Array:
        """Share of black (0 to 1) of the pixels in a box given in mm, as (rows, columns)."""
        (c0, c1), (r0, r1) = self._pixels(x0, x1, 0), self._pixels(y0, y1, 1)
        return 1.0 - self.grey[r0:r1, c0:c1].astype(float) / 255.0

    def _pixels(self, a: float, b: float, axis: int) -> tuple[int, int]:
        lo, hi = (round(v * self.px_per_mm[axis]) for v in (a, b))
        return lo, max(hi, lo + 1)

    def square(self, corners: Array, cells: int = 8) -> Array:
        """Left, right, top, bottom in mm of an upright black square, from its area of ink.

        A renderer that anti-aliases paints each pixel as black as it is covered, so the sum over
        a profile across an edge is the edge's place to a few hundredths of a pixel.
        """
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        cell = (x1 - x0) / cells
        inside = (y0 + 0.2 * cell, y1 - 0.2 * cell)
        left = self._edge((x0 - 0.7 * cell, x0 + 0.5 * cell), inside, 0, True)
        right = self._edge((x1 - 0.5 * cell, x1 + 0.7 * cell), inside, 0, False)
        across = (x0 + 0.2 * cell, x1 - 0.2 * cell)
        top = self._edge((y0 - 0.7 * cell, y0 + 0.5 * cell), across, 1, True)
        bottom = self._edge((y1 - 0.5 * cell, y1 + 0.7 * cell), across, 1, False)
        return np.array([left, right, top, bottom])

    def _edge(
        self, span: tuple[float, float], along: tuple[float, float], axis: int, rising: bool
    ) -> float:
        """Place of the edge between white and black (rising) or black and white."""
        box = (*span, *along) if axis == 0 else (*along, *span)
        profile = self.black(*box).mean(axis=axis)
        first, last = self._pixels(*span, axis)
        ink = float(profile.sum())
        return (last - ink if rising else first + ink) / float(self.px_per_mm[axis])

    def is_white_round(self, edges: Array, width_mm: float) -> bool:
        """Whether a ring of this width round a square (left, right, top, bottom) is blank."""
        x0, x1, y0, y1 = edges
        w, slip = width_mm, 1.5 / float(self.px_per_mm[0])
        boxes = (
            (x0 - w, x1 + w, y0 - w, y0 - slip),
            (x0 - w, x1 + w, y1 + slip, y1 + w),
            (x0 - w, x0 - slip, y0 - w, y1 + w),
            (x1 + slip, x1 + w, y0 - w, y1 + w),
        )
        return all(float(self.black(*box).max()) == 0.0 for box in boxes)

    def ruler_mm(self, axis: int) -> float:
        """Length of the ruler along x (axis 0) or y (1): 151 ticks in line, first to last."""
        step = float(self.px_per_mm[axis])
        # The rulers lie at the foot and at the left.
        for row in self.grey[::-1] if axis == 0 else self.grey.T:
            share = 1.0 - row.astype(float) / 255.0
            ink = np.flatnonzero(share > 0)
            if len(ink) < 151:
                continue
            marks = np.split(ink, np.flatnonzero(np.diff(ink) > 1) + 1)
            at = np.array([np.average(m, weights=share[m]) for m in marks])
            # A column of the page also crosses letters: look for 150 steps of a millimetre.
            even = np.abs(np.diff(at) / step - 1.0) < 0.1
            for first in range(len(even) - 149):
                if even[first : first + 150].all():
                    return float(at[first + 150] - at[first]) / step
        raise AssertionError("there is no row of 151 ticks on the page")


class Printed:
    """All pages of a PDF."""

    def __init__(self, path: Path, dpi: float = 300.0) -> None:
        document = pypdfium2.PdfDocument(path)
        self.pages = [PrintedPage(page, dpi) for page in document]
        document.close()

    def page_of(self, tag_id: int) -> tuple[PrintedPage, Array]:
        """The page that shows a tag, and the tag's corners in mm."""
        for page in self.pages:
            if tag_id in page.tags:
                return page, page.tags[tag_id]
        raise AssertionError(f"tag {tag_id} was not printed")
