"""Bring the sky to one level."""

from __future__ import annotations

from typing import Annotated as A
from typing import Literal

import numpy as np

from nebulakit.declare import About, step
from nebulakit.image import Image
from nebulakit.pixels.glow import gradient as glow
from nebulakit.pixels.glow import legendre, rest, surface
from nebulakit.quantity import Level

NO_SKY = 0.8
"""More boxes below the level than this for each at it: no sky is seen. Measured: 0-0.7 with sky, 0.9-50 without."""


@step()
def level_sky(
    image: Image,
    *,
    to: A[Level, About("the level that the sky of every channel is brought to")] = Level(0, ""),
    order: A[
        int | Literal["free"],
        About(
            "order of the surface that is taken off: 0 a level only, 1 a tilt, 2 a bowl, free: as bent as the sky shows it",
            0,
            2,
            raise_when="a line layer is still brighter on one side",
            lower_when="the line's own faint light is taken for sky",
            look=False,
        ),
    ] = 0,
) -> Image:
    """Bring the sky of every channel to one level, and take off what is left of a glow.

    Order 0 moves each channel by its measured sky level (the level on which most of the darker star-free boxes agree).
    Orders 1 and 2 fit a plane or a quadratic to the boxes that hold no light of their own, as `remove_gradient` does, and
    only where the data show that it is there; made for line layers, whose faint residual gradient a gain would lift.
    ``free`` lets a faint surface (0.15 sigma) bend on a third of the frame's short side where sky is seen, and go back to the
    level elsewhere: what is left of a glow has seldom the shape of a tilt, and one fitted to it is wrong at the other side.
    Where a nebula fills the frame (many boxes are darker than the level that the darker ones agree on) and the sky is
    known from a step before, the channel is left as it is: the darkest nebula is no sky.
    Method: own; see `remove_gradient` for its sources.

    NaN stays NaN. Noise stays, the sky is at ``to``, and the level at which stars are cut off moves along. On display layers
    values may leave 0..1 and are kept inside.

    >>> plane = np.random.default_rng(0).normal(7, 1, (64, 64))
    >>> bool(abs(np.median(level_sky(plane))) < 0.2)
    True
    """
    known = image.measured("noise", "sky")
    assert known.noise is not None and known.sky is not None
    goal = to.value(known.replace(sky=(0.0,) * len(image.channels)))
    sigma = np.asarray(known.noise.sigma)
    used: int | str = 0
    measured = known.replace(sky=None).measured("sky").sky
    assert measured is not None
    doubt = surface.sky_doubt(known.planes, known.noise, known.coverage)
    hidden = [
        image.sky is not None and image.scale == "linear" and d > NO_SKY and m > s
        for d, m, s in zip(doubt, measured, known.sky, strict=True)
    ]
    level = np.where(hidden, known.sky, measured).astype(np.float32)
    take = np.broadcast_to(level[:, None, None], image.planes.shape)
    if order != 0 and (sigma > 0).all() and not any(hidden):
        pairs = list(zip(image.planes, sigma, strict=True))
        if order == "free":
            rests = [rest.decide_rest(p, s) for p, s in pairs]
            if any(r is not None for r in rests):
                used = "free"
                take = np.stack(
                    [
                        t if r is None else rest.apply_rest(r, image.shape) * np.float32(s)
                        for r, s, t in zip(rests, sigma, take, strict=True)
                    ]
                )
        else:
            fits = [glow.decide_gradient(p[None], (s,), order=None, orders=range(order + 1)) for p, s in pairs]
            used = max(f.order for f in fits)
            if used > 0:
                take = np.concatenate([legendre.surface(f.coefficients, image.shape, f.order) for f in fits])
    planes = image.planes - (take - goal.astype(np.float32)[:, None, None])
    white = None if image.white is None else np.asarray(image.white) - take.max((1, 2)) + goal  # the lowest plateau
    if image.scale == "display":
        planes = np.clip(planes, 0, 1)
        white = None if white is None else np.clip(white, 0, 1)
    facts = {"sky": tuple(float(g) for g in goal), "white": None if white is None else tuple(white.tolist())}
    out = image.replace(planes, noise=known.noise, **facts)
    return out.noted(
        order=used,
        sky_was=[float(v) for v in measured],
        sky_doubt=[float(d) for d in doubt],
        left_alone=[c for c, h in zip(image.channels, hidden, strict=True) if h],
        taken_sigma=[float(np.ptp(t) / s) if s > 0 else 0.0 for t, s in zip(take, sigma, strict=True)],
    )
