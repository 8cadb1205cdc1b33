"""Which colours stars have: a knot of a nebula shines in one line, a star in all channels."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median

Floats = npt.NDArray[np.float64]


class Colours(NamedTuple):
    """The usual logarithms of the channels' shares in a star's light, and how far from them (channel,) a star's may lie."""

    usual: Floats
    room: Floats


def usual_colours(heights: Floats, error: Floats) -> Colours | None:
    """Give the colours of those of the stars (channel, star) that are clear in all channels: within four times the spread
    of their shares, and 60 % to 160 % are always well. None with fewer than three channels, or ten such stars.
    """
    clear = (heights > 10 * error).all(0)
    if len(heights) < 3 or clear.sum() < 10:
        return None
    shares = np.log(heights[:, clear] / heights.sum(0)[clear])
    usual = median(shares, axis=1)
    return Colours(usual, np.maximum(4 * 1.4826 * median(np.abs(shares - usual[:, None]), axis=1), 0.5))


def coloured_as(colours: Colours | None, heights: Floats, error: Floats, strict: bool = False) -> npt.NDArray[np.bool_]:
    """Say which of the stars (channel, star) have light in all channels, as stars have: a knot of a nebula shines in one line.

    Each channel must hold a fifth of the share it usually has, or could hold it within three errors. ``strict``: a share
    within the room there is for it, for stars that are known to a few errors. Where no colours are told, all do.
    """
    if colours is None:
        return np.ones(heights.shape[1], bool)
    total, (usual, room) = heights.sum(0), colours
    if not strict:
        return np.asarray((heights + 3 * error > 0.2 * np.exp(usual)[:, None] * total).all(0))
    least, most = (np.exp(usual + s * room)[:, None] * total for s in (-1, 1))
    return np.asarray(((heights + 3 * error > least) & (heights - 3 * error < most)).all(0))


def star_coloured(heights: Floats, error: Floats, strict: bool = False) -> npt.NDArray[np.bool_]:
    """Say which of the stars have light in all channels, going by the clear ones among them, as :func:`coloured_as`.

    >>> heights = np.array([[5.0] * 12 + [5.0, 9.0], [4.0] * 12 + [0.2, 4.0], [5.0] * 12 + [0.1, 2.0]])
    >>> star_coloured(heights, np.full((3, 14), 0.01)).tolist()[-3:]
    [True, False, True]
    >>> star_coloured(heights, np.full((3, 14), 0.01), strict=True).tolist()[-3:]
    [True, False, False]
    """
    return coloured_as(usual_colours(heights, error), heights, error, strict)
