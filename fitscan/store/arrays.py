"""Large symmetric matrices in JSON: every bit kept, a third of the text, checked on the way in.

What a matrix means, and in which order its rows stand, is left to the file that holds it.
"""

from __future__ import annotations

import base64
import binascii
import zlib
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, model_validator

from fitscan.errors import DataError

__all__ = ["PackedSymmetric", "pack_symmetric", "unpack_symmetric"]

_Encoding = Literal["lower triangle by rows, float64 little-endian, zlib, base64"]
_ENCODING: _Encoding = "lower triangle by rows, float64 little-endian, zlib, base64"
# A correlation may pass 1 by rounding only; beside the largest variance, all else is rounding.
_CORRELATION_SLACK = 1e-6
_ROUNDING = 1e-12


class PackedSymmetric(BaseModel):
    """A covariance matrix as text.

    Attributes:
        size: Number of rows, which is the number of columns.
        encoding: How ``data`` is to be read.
        data: The lower triangle with its diagonal, row by row.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    size: int = Field(ge=0, le=100_000)
    encoding: _Encoding = _ENCODING
    data: str
    _checked: NDArray[np.float64] | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _is_a_covariance(self) -> PackedSymmetric:
        # Every reader asks for the matrix next; what was packed here was checked then.
        if self._checked is None:
            self._checked = _unpack(self.size, self.data)
        return self


def pack_symmetric(matrix: ArrayLike) -> PackedSymmetric:
    """Pack a covariance matrix for a JSON file.

    Args:
        matrix: Shape (n, n), symmetric to rounding; the lower triangle is kept.

    Raises:
        DataError: The matrix is not square, symmetric, finite, or its diagonal is negative.
    """
    full = np.asarray(matrix, dtype=np.float64)
    if full.ndim != 2 or full.shape[0] != full.shape[1]:
        raise _unfit(f"its shape {full.shape} is not square")
    if not np.isfinite(full).all():
        raise _unfit("a number in it is not finite")
    spread = np.sqrt(np.abs(np.diagonal(full)))
    slack = _CORRELATION_SLACK * np.outer(spread, spread) + _ROUNDING * spread.max(initial=0) ** 2
    if (np.abs(full - full.T) > slack).any():
        raise _unfit("it is not symmetric")
    size = len(full)
    lower = full[np.tril_indices(size)]
    try:
        _check_covariance(full)
    except ValueError as error:
        raise _unfit(str(error)) from error
    raw = lower.astype("<f8").tobytes()
    # Stored as it is: the digits of a covariance are chance, and squeezing them takes longer than
    # writing all the rest for a fortieth of the size.
    text = base64.b64encode(zlib.compress(raw, 0)).decode("ascii")
    # The check above is the one that validation would repeat.
    packed = PackedSymmetric.model_construct(size=size, encoding=_ENCODING, data=text)
    packed._checked = np.where(np.tri(size, dtype=np.bool_), full, full.T)
    return packed


def unpack_symmetric(packed: PackedSymmetric) -> NDArray[np.float64]:
    """Return the full matrix, shape (n, n), bit for bit the lower triangle that was packed."""
    if packed._checked is not None:
        return packed._checked.copy()
    return _unpack(packed.size, packed.data)


def _unpack(size: int, data: str) -> NDArray[np.float64]:
    """Decode, or raise ValueError with the reason, which the file reader turns into a sentence."""
    wanted = size * (size + 1) // 2 * 8
    try:
        packed = base64.b64decode(data, validate=True)
        inflater = zlib.decompressobj()
        # One byte more than wanted is enough to see that there is too much, however much it is.
        raw = inflater.decompress(packed, wanted + 1)
    except (binascii.Error, ValueError, zlib.error) as error:
        raise ValueError("the packed matrix is damaged") from error
    if len(raw) != wanted or not inflater.eof or inflater.unused_data:
        raise ValueError(f"the packed matrix does not hold {size} rows")
    full = np.zeros((size, size))
    rows, columns = np.tril_indices(size)
    full[rows, columns] = np.frombuffer(raw, dtype="<f8")
    full[columns, rows] = full[rows, columns]
    _check_covariance(full)
    return full


def _check_covariance(full: NDArray[Any]) -> None:
    """Refuse what no covariance can be, by its diagonal and its correlations (not its rank)."""
    if not np.isfinite(full).all():
        raise ValueError("a number in the packed matrix is not finite")
    variances = np.diagonal(full)
    if (variances < 0).any():
        raise ValueError("a variance in the packed matrix is negative")
    sigmas = np.sqrt(variances)
    limit = (1 + _CORRELATION_SLACK) * np.outer(sigmas, sigmas)
    if (np.abs(full) > limit + _ROUNDING * variances.max(initial=0)).any():
        raise ValueError("a correlation in the packed matrix is larger than 1")


def _unfit(reason: str) -> DataError:
    return DataError(
        f"A covariance matrix cannot be kept because {reason}",
        "",
        "the survey is too weak to be saved; add photos that see more markers at once",
    )
