"""The median and the lower quarter, several times faster than numpy's."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def median(values: npt.ArrayLike, axis: int | None = None) -> Any:
    """Give ``np.median(values, axis)``, the same bits.

    numpy divides the values at three places at once, for the one in the middle, the one before it and for NaN at the
    end, and has fast code for one place alone; the other two are maxima of what lies on either side of it.

    >>> float(median(np.array([3.0, 1.0, 2.0, 5.0]))), median(np.array([[1.0, np.nan], [2.0, 4.0]]), axis=1).tolist()
    (2.5, [nan, 3.0])
    """
    a = np.asarray(values)
    if a.dtype.kind != "f" or not a.size:
        return np.median(a, axis=axis)
    a = a.ravel() if axis is None else np.moveaxis(a, axis, -1)
    half = a.shape[-1] // 2
    parted = np.partition(a, half, axis=-1)
    above = parted[..., half:]
    middle = above[..., 0]
    if a.shape[-1] % 2 == 0:
        middle = (parted[..., :half].max(-1) + middle) / a.dtype.type(2)
    last = above.max(-1)  # NaN comes last
    return np.where(np.isnan(last), last, middle) if middle.ndim else (last if np.isnan(last) else middle)


def lower_quarter(rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Give ``np.percentile(rows, 25, axis=1)`` of floats, the same bits, by one division as :func:`median`.

    >>> lower_quarter(np.array([[3.0, 1.0, 2.0, 5.0], [1.0, np.nan, 2.0, 4.0]])).tolist()
    [1.75, nan]
    """
    below, part = divmod((rows.shape[1] - 1) / 4, 1)
    parted = np.partition(rows, int(below), axis=1)
    low, above = parted[:, int(below)], parted[:, int(below) + 1 :]
    high = above.min(axis=1) if above.shape[1] else low  # NaN where there is one
    step, part = high - low, rows.dtype.type(part)
    return np.asarray(high - step * (1 - part) if part >= 0.5 else low + step * part)
