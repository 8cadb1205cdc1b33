"""The general linear mixture of channels."""

from __future__ import annotations

from typing import Annotated

from nebulakit.declare import About, step
from nebulakit.image import Image

Row = tuple[float, float, float]


@step(takes="rgb")
def mix_channels(
    image: Image,
    *,
    matrix: Annotated[
        tuple[Row, Row, Row],
        About(
            "rows make the new red, green, blue; each row says how much of the old red, green, blue it takes",
            -100,
            100,
            example=[[1, 0, 0], [0, 0.5, 0.5], [0, 0.5, 0.5]],
        ),
    ],
) -> Image:
    """Make new channels, each a weighted sum of the old ones.

    For what no other step does: swapped channels, a colour matrix, a grey picture (three equal rows), channels rescaled.
    Plain matrix algebra. On linear data sums stand as they are; on stretched data they are made in light (sRGB decoded)
    and what leaves 0..1 is cut off. Noise and sky go along. To part two emission lines use `unmix_lines`, which knows
    their noise.

    A pixel with NaN in any channel is NaN in all. It fails on nothing; rows that do not add up to 1 change brightness and sky.

    >>> import numpy as np
    >>> swapped = mix_channels(np.float32([[[1]], [[2]], [[3]]]), matrix=[[0, 0, 1], [0, 1, 0], [1, 0, 0]])
    >>> swapped.ravel().tolist()
    [3.0, 2.0, 1.0]
    """
    import numpy as np

    from nebulakit.pixels import colour, unmix

    m = np.asarray(matrix, float)
    single = bool(((m != 0).sum(1) == 1).all() and (m >= 0).all())  # each new channel is an old one, rescaled
    if image.scale == "linear" or image.content == "mask":
        planes = unmix.weighted(image.planes, m)
        return image.replace(
            planes,
            sky=None if image.sky is None else tuple(float(v) for v in m @ np.asarray(image.sky)),
            noise=None if image.noise is None else image.noise.mixed(m),
            white=tuple(float(v) for v in m @ np.asarray(image.white)) if image.white is not None and single else None,
        )
    planes = colour.encode(np.clip(unmix.weighted(colour.decode(image.planes), m), 0, 1))
    sky = noise = None
    if image.sky is not None:
        light = m @ np.array([colour.decode1(float(s)) for s in image.sky])
        sky = tuple(colour.encode1(float(min(max(v, 0.0), 1.0))) for v in light)
        if image.noise is not None:  # small changes at the sky, through both curves
            small = 1e-4
            down = [(colour.decode1(s + small) - colour.decode1(s)) / small for s in map(float, image.sky)]
            up = [(colour.encode1(colour.decode1(s) + small) - s) / small for s in sky]
            noise = image.noise.mixed(np.asarray(up)[:, None] * m * np.asarray(down))
    return image.replace(planes, sky=sky, noise=noise, white=None)
