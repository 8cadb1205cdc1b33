"""One law fitted to cut-outs of stars."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.median import median
from nebulakit.pixels.stars.law import Law
from nebulakit.pixels.stars.varying import RIM, Varying

Array = npt.NDArray[np.float64]

LONG = 4.0  # how often the unevenness of a star's ground counts, for it goes on from pixel to pixel
LOOSE = 3.0  # of what is left: more counts less
ENTRIES = 2000  # of a law's table that the corners of a cut-out ask for


class CutFit:
    """One law fitted to the stars of a channel. Each star has its own height, place and sloping ground; these are eliminated
    star by star (variable projection, Golub & Pereyra 1973, as simplified by Kaufman 1975, BIT 15:49)."""

    def __init__(self, cuts: Array, each: Array, places: tuple[Array, Array], varying: Varying | None) -> None:
        """Take cut-outs of stars, what :func:`fit_moffat` says of them, where they are, and how stars vary there."""
        self.places, self.varying = places, varying
        self.half = cuts.shape[1] // 2
        self.span = span = np.arange(-self.half, self.half + 1.0)
        self.ground = np.stack([np.ones((2 * self.half + 1,) * 2), *np.meshgrid(span, span)]).reshape(3, -1).T
        self.rim = np.hypot(*np.meshgrid(span, span)).ravel() > RIM * self.half
        self.data = cuts.reshape(len(cuts), -1)
        # the brighter a star the more its misfit of the law decides, not its ground; a ground that passed for noise would let
        # the wings of stars on a bright nebula tell the law
        self.light = np.maximum(self.data - each[:, 7:8], 0)
        self.uneven = np.full(len(cuts), 3.0)
        self.place = np.clip(each[:, 1:3], -0.9, 0.9)  # one that lies further off is two stars
        self.weigh(0.02)

    def weigh(self, misfit: float) -> None:
        """Weigh pixels by how far the law may be off, as a share of the light."""
        self.weight = 1 / np.sqrt(self.uneven[:, None] + self.light / 300 + (misfit * self.light) ** 2)

    def feel(self, left: Array) -> None:
        """Tell from what is left near the rim how uneven each star's ground is."""
        self.uneven = 3 + LONG * (1.4826 * median(np.abs(left / self.weight)[:, self.rim], axis=1)) ** 2

    def stamps(self, law: Law, place: Array) -> Array:
        """Draw stars of height 1 by a law, weighed."""
        if self.varying is not None:  # drawn often, and no further
            law = replace(law, table=law.table[:ENTRIES], wings=law.wings[:ENTRIES], varying=self.varying)
        drawn = law.stamps(place[:, 0], place[:, 1], self.half, self.places)
        return np.asarray(drawn.reshape(self.data.shape) * self.weight, np.float64)

    def left(self, law: Law) -> Array:
        """Give (star, pixel) what a law leaves, in what it weighs; and keep what :meth:`unseen` asks for."""
        d = 0.05
        right, wrong, down, up = (self.stamps(law, self.place + aside) for aside in ((d, 0), (-d, 0), (0, d), (0, -d)))
        self.columns = np.empty((*self.data.shape, 6))
        self.columns[:, :, 0] = self.stamps(law, self.place)
        self.columns[:, :, 1] = (right - wrong) * (0.5 / d)
        self.columns[:, :, 2] = (down - up) * (0.5 / d)
        self.columns[:, :, 3:] = self.ground * self.weight[:, :, None]
        self.turned = self.columns.transpose(0, 2, 1)
        self.normal = np.matmul(self.turned, self.columns)
        self.normal += 1e-9 * np.eye(6) * np.einsum("nkk->n", self.normal)[:, None, None]
        target = self.data * self.weight
        self.found = np.linalg.solve(self.normal, np.matmul(self.turned, target[:, :, None]))[:, :, 0]
        return np.asarray(target - np.matmul(self.columns, self.found[:, :, None])[:, :, 0])

    def move(self) -> None:
        """Move the stars to where they are best."""
        step = np.clip(self.found[:, 1:3] / np.maximum(self.found[:, :1], 1e-9), -0.3, 0.3)
        self.place = np.clip(self.place + step, -0.9, 0.9)

    def unseen(self, drawn: Array) -> Array:
        """Give what of (star, pixel, value), drawn for stars of height 1, stars' own heights, places and grounds cannot make, after :meth:`left`."""
        own = drawn * self.found[:, :1, None]
        return np.asarray(own - np.matmul(self.columns, np.linalg.solve(self.normal, np.matmul(self.turned, own))))
