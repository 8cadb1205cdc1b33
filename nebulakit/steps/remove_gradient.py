"""Take out the skyglow."""

from __future__ import annotations

from typing import Annotated as A
from typing import Any, Literal, NamedTuple

import numpy as np

from nebulakit.declare import About, same_size, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.pixels.glow import gradient as glow
from nebulakit.pixels.glow import legendre
from nebulakit.pixels.glow import seams as edges
from nebulakit.quantity import Position, Share


class Flattened(NamedTuple):
    """The picture without its skyglow, and the skyglow."""

    image: Image
    model: Image


@step(reads="linear")
def remove_gradient(
    image: Image,
    protect: Image | None = None,
    *,
    order: A[
        Literal["auto"] | int,
        About(
            "highest order of the surface; auto: what the data show, among 0 (a level, nothing else), 1, 2, 4 and 6",
            0,
            8,
            raise_when="the sky is still uneven",
            lower_when="the nebula's faint outer part is taken for sky",
            look=False,
        ),
    ] = "auto",
    by: A[
        Literal["subtract", "divide"],
        About("subtract for light that was added (skyglow); divide for light that was lost (vignetting)", look=False),
    ] = "subtract",
    sky: A[
        tuple[Position | tuple[Position, Position], ...],
        About(
            "places that are certainly empty sky: points such as [8%, 10%], and boxes by two corners such as [[80%, 5%], [98%, 20%]]",
            look=False,
            example=[["8%", "10%"], [["80%", "5%"], ["98%", "20%"]]],
        ),
    ] = (),
    reach: A[
        Share,
        About(
            "radius around each point in sky that counts as sky, as a share of the frame's short side",
            0.005,
            0.3,
            raise_when="more of the sky around the places is empty",
            lower_when="light of the nebula lies near the places",
            look=False,
        ),
    ] = Share(3, "%"),
    seams: A[
        Literal["auto", "off"],
        About(
            "steps of level where a night or field ends, by the edges of the coverage map: auto (followed where they are clear) or off",
            look=False,
        ),
    ] = "auto",
) -> Flattened:
    """Fit the skyglow beside the nebula and take it out, so that the empty sky of every channel is at zero.

    The levels of small star-free boxes are told by a smooth surface per channel and by a nebula that can only add light. The
    channels are turned so that two see one line each and one sees neither; the surfaces are mostly alike in shape and small
    in high orders (a prior), and the order is chosen by the evidence of the data (4 where 3 wins, which follows a bend
    better). Where a constant tells the sky as well, only its level is taken off. Where a line sees no sky at all (`sky_seen`
    0), its nebula's light is told from how strong its structure is, and the darkest nebula is not taken for sky; where it sees
    little, this holds a bent surface between the patches of sky. ``protect``, a mask or any layer of the same size, marks
    what must not be taken for sky (where it is above 0.5). Where the coverage map jumps, since a night or field ends there,
    and the level steps clearly along the edge, each zone of the map has a level of its own. Sources: Laplace evidence and
    one-sided mixture, Bishop 2006, Pattern Recognition and Machine Learning, 4.4 and 9; asymmetric weights, Eilers & Boelens
    2005.

    NaN stays NaN and is not looked at; negative values afterwards are values. Noise stays what it was. With ``by: divide``
    the level is kept and the noise is no longer known. StepError where there is nothing to look at or sizes differ. Fails
    where nebula fills the frame with a slope of its own: no statistic tells that from skyglow; give ``sky`` or ``protect``.

    >>> y, x = np.mgrid[0:96, 0:128].astype(np.float32)
    >>> noise = np.random.default_rng(1).normal(0, 0.01, (96, 128)).astype(np.float32)
    >>> flat, model = remove_gradient(5 + 0.02 * x + 0.01 * y + noise)
    >>> bool(np.abs(np.median(flat)) < 0.002), round(float(np.ptp(model)), 1)
    (True, 3.5)
    """
    known = image.measured("noise", "white")
    assert known.noise is not None
    same_size("remove_gradient", image=image, protect=protect)
    covered = image.covered()
    if not covered.any():
        raise StepError("remove_gradient: there is no pixel with a value; look at the crop before it")
    left_out = ~covered
    if protect is not None:
        left_out = left_out | (np.nan_to_num(protect.planes[0]) > 0.5)
    sigma = glow.unit(image.planes, known.noise.sigma)
    zones = jumps = None
    if seams == "auto" and by == "subtract" and image.coverage is not None:
        zones = edges.decide_seams(image.planes, sigma, image.coverage, left_out)
        jumps = None if zones is None else edges.surface(zones, image.coverage)
    found = glow.decide_gradient(
        image.planes if jumps is None else image.planes - jumps,
        sigma,
        order=None if order == "auto" else order,
        left_out=left_out,
        sure=_sure(image, sky, reach) if sky else None,
    )
    model = legendre.surface(found.coefficients, image.shape, found.order)
    if jumps is not None:
        model += jumps
    rise = [float(np.ptp(m[covered])) for m in model]
    record: dict[str, Any] = {
        "order": found.order,
        "by": by,
        "gradient_sigma": [r / float(s) for r, s in zip(rise, sigma, strict=True)],
        "sky_level": [float(np.mean(m[covered])) for m in model],
        "left_sigma": _left(found),
        "boxes": int(found.boxes.usable.size),
        "boxes_sky": int((found.weight > 0.5).sum()),
        "sky_seen": [round(v, 3) for v in found.sky_seen],
        "evidence": {str(k): round(v, 1) for k, v in found.evidence.items()},
        "samples": _samples(found, image),
    }
    notices = [*_doubts(found), *([] if sky else _no_sky(found))]
    if zones is not None:
        record["seam_levels_sigma"] = (zones.offset / sigma[:, None]).tolist()
        record["seam_edges"] = [dict(e) for e in zones.edges]
        highest = float(np.ptp(zones.offset / sigma[:, None], axis=1).max())
        notices.append(
            Notice(
                "seams-followed",
                f"The sky steps by up to {highest:.1f} sigma where a night or field ends; {zones.offset.shape[1]} zones of the coverage map "
                "were brought to one level. Look along their edges in the report; seams: off leaves them.",
            )
        )
    # stars are cut off at an uneven level from here on: the lowest is told, so that every plateau is seen for one
    most = [float(m[covered].max()) for m in model]
    if by == "divide":
        level = model.mean(axis=(1, 2), keepdims=True)
        if (model <= 0.05 * level).any():
            raise StepError(
                "remove_gradient: by: divide needs a sky well above zero everywhere, and this one sinks to it; use by: subtract"
            )
        mean = tuple(level.ravel().tolist())
        white = None if known.white is None else tuple(w * a / m for w, a, m in zip(known.white, mean, most, strict=True))
        flat = image.replace(image.planes / (model / level), noise=None, sky=mean, white=white, stars=None)
    else:
        white = None if known.white is None else tuple(w - m for w, m in zip(known.white, most, strict=True))
        flat = image.replace(image.planes - model, noise=known.noise, sky=(0.0,) * len(image.channels), white=white)
    np.copyto(model, np.float32(np.nan), where=~np.isfinite(image.planes))
    return Flattened(flat.noted(*notices, **record), image.replace(model, noise=None, stars=None, psf=None, white=None, sky=None))


def _sure(image: Image, places: tuple[Position | tuple[Position, Position], ...], reach: Share) -> Any:
    """Give the function that says which boxes lie near the points, or in the boxes, called sky."""
    h, w = image.shape
    points = [p.pixel(image) for p in places if isinstance(p, Position)]
    boxes = [np.sort([c.pixel(image) for c in p], axis=0) for p in places if not isinstance(p, Position)]
    radius = reach.fraction * min(h, w)

    def near(x: Any, y: Any) -> Any:
        px, py = (x + 1) / 2 * (w - 1), (y + 1) / 2 * (h - 1)
        inside = [np.hypot(px - a, py - b) <= radius for a, b in points]
        inside += [(px >= a) & (px <= c) & (py >= b) & (py <= d) for (a, b), (c, d) in boxes]
        return np.any(inside, axis=0)

    return near


def _left(found: glow.Gradient) -> list[float]:
    """Give the spread of the sky boxes' levels about the surface, in sigma, per channel."""
    index = np.flatnonzero(found.boxes.usable)
    level = found.boxes.level[:, index]
    a = legendre.basis(found.boxes.x[index], found.boxes.y[index], found.order)
    scale = found.scale[:, None]
    r = (level - (found.coefficients / scale) @ a.T)[:, found.weight > 0.5]
    return [float(1.4826 * np.median(np.abs(c))) if c.size else 0.0 for c in r]


def _samples(found: glow.Gradient, image: Image, limit: int = 400) -> list[dict[str, Any]]:
    """Give where was looked, thinned to ``limit``: position in the layer's pixels, weight, and why a box was left out."""
    h, w = image.shape
    every = max(1, -(-found.boxes.usable.size // limit))
    weight = np.zeros(found.boxes.usable.size)
    weight[found.boxes.usable] = found.weight
    out = []
    for n in range(0, found.boxes.usable.size, every):
        x, y = (found.boxes.x[n] + 1) / 2 * (w - 1), (found.boxes.y[n] + 1) / 2 * (h - 1)
        if not found.boxes.usable[n]:
            continue
        sky = float(weight[n])
        out.append(
            {"x": round(float(x), 1), "y": round(float(y), 1), "weight": round(sky, 2)}
            | ({} if sky > 0.5 else {"rejected": "nebula"})
        )
    return out


def _no_sky(found: glow.Gradient) -> list[Notice]:
    """Say where nothing but the nebula's own structure told the glow's level."""
    if found.sky_seen and min(found.sky_seen) == 0:
        where = "none of the small boxes looked at shows sky" + ("" if max(found.sky_seen) == 0 else " free of one of the lines")
        return [
            Notice(
                "no-sky-seen",
                f"Nebula fills the frame: {where}. The skyglow was told from how strong the nebula's structure is, and its level "
                "may be off by some ten sigma, the colours of the faintest parts with it. Where you know a place to be empty, say so: "
                "sky: [[8%, 10%], [90%, 88%]].",
            )
        ]
    return []


def _doubts(found: glow.Gradient) -> list[Notice]:
    """Warn where the fitted surface has the shape of the nebula it was fitted beside."""
    index = np.flatnonzero(found.boxes.usable)
    if found.order == 0 or len(index) < 50:
        return []
    a = legendre.basis(found.boxes.x[index], found.boxes.y[index], found.order)
    fitted = ((found.coefficients / found.scale[:, None]) @ a.T)[0]
    nebula = found.boxes.level[0, index] - fitted
    bright = (found.weight < 0.5).mean()
    if bright < 0.3 or float(np.std(nebula)) < 1 or float(np.std(fitted)) < 1:
        return []
    alike = float(np.corrcoef(fitted, np.clip(nebula, 0, None))[0, 1])
    if alike < 0.4:
        return []
    return [
        Notice(
            "gradient-looks-like-nebula",
            f"The gradient that was found rises where the nebula is bright (correlation {alike:.2f}), and nebula covers {100 * bright:.0f} % of the frame: "
            "part of its light may have been taken for skyglow. Compare the two in the report; if so use order: 1, or say where sky is: "
            "sky: [[8%, 10%], [90%, 88%]].",
        )
    ]
