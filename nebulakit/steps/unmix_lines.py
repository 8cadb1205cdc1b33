"""From the sensor's three colours to the two lines behind a dual-band filter."""

from __future__ import annotations

import math
from collections.abc import Set
from typing import Annotated, Any, Literal, NamedTuple

from nebulakit.declare import About, same_size, step
from nebulakit.image import Image, Notice

Pair = tuple[float, float]


class Lines(NamedTuple):
    """What ``unmix_lines`` gives: one layer for each line."""

    ha: Image
    oiii: Image


def _tells_nothing(params: Any, images: Set[str]) -> tuple[str, str] | None:
    """Say why a response that was told cannot tell the lines apart."""
    if isinstance(params.sensor, str):
        return None
    import numpy as np

    from nebulakit.pixels.unmix import normalised

    m = np.asarray(params.sensor, float)
    if m[0, 0] <= 0 or m[1, 1] <= 0:
        return "sensor", (
            f"sensor {m.tolist()} gives red no answer to H-alpha or green none to [O III]. "
            "Rows are red, green, blue; columns H-alpha, [O III]: for example [[0.96, 0.03], [0.06, 0.78], [0.02, 0.62]]."
        )
    values = np.linalg.svd(normalised(m), compute_uv=False)
    if values[1] < 0.05 * values[0]:
        return "sensor", (
            f"with sensor {m.tolist()} both lines have almost the same colour and cannot be told apart. "
            "Look whether rows (red, green, blue) and columns (H-alpha, [O III]) are in order."
        )
    return None


@step(reads="linear", gives="linear", takes="rgb", makes="line", refuses=_tells_nothing)
def unmix_lines(
    image: Image,
    stars: Image | None = None,
    *,
    sensor: Annotated[
        Literal["auto", "typical", "infrared-cut", "infrared-open"] | tuple[Pair, Pair, Pair],
        About(
            "response to the lines: auto (found in the data), typical, infrared-cut (cameras with their stock filter), infrared-open, "
            "or [[R, R], [G, G], [B, B]] to H-alpha and [O III]; only ratios within a column count",
            0,
        ),
    ] = "auto",
) -> Lines:
    """Unmix H-alpha and [O III] from the three colours of a stack taken behind a dual-band filter.

    Least squares, weighted by the noise of the channels, against the sensor's response to the two lines. H-alpha comes out
    in units of the red channel, [O III] in those of the green. Do it before any noise reduction: a channel that was smoothed
    leaves its print in the other line. With ``sensor: auto`` the response is estimated: from what sensors are like, from
    the plane in colour space that all light of two lines lies in, and from the parts with least [O III] per H-alpha;
    the record says how far to trust each number, and where the data cannot tell the typical response is taken and a
    notice says so. The layer ``stars`` (of `separate_stars`) keeps the places of stars out of the estimate.
    "H-alpha" includes what the filter lets through of [N II].

    Sources: Aitken 1935, Proc. R. Soc. Edinburgh 55:42 (weighted least squares); Naanaa & Nuzillard 2005, Signal
    Processing 85:1711 (sources as faces of a cone). The response also fits a mosaic after `collapse_bayer`.

    A pixel with NaN in any channel is NaN in both lines. Fails (StepError) on a response that cannot tell the lines apart.
    The estimate is poor where both lines shine everywhere in one ratio, where dust scatters starlight all over
    (that light looks like both lines; no response takes it out), and on channels mixed by a colour matrix before.

    >>> import numpy as np
    >>> light = np.array([[1, 0.1], [0.2, 1], [0.1, 0.6]]) @ [300, 120]
    >>> rgb = np.broadcast_to(light[:, None, None], (3, 4, 4))
    >>> ha, oiii = unmix_lines(rgb, sensor=((1, 0.1), (0.2, 1), (0.1, 0.6)))
    >>> float(ha[0, 0, 0]), float(oiii[0, 0, 0])
    (300.0..., 120.0...)
    """
    import numpy as np

    from nebulakit.pixels import balance, response, unmix

    same_size("unmix_lines", image=image, stars=stars)
    known = image.measured("noise")
    assert known.noise is not None
    sigma = np.asarray(known.noise.sigma, float)
    sigma = np.where(sigma > 0, sigma, sigma.max() or 1.0)
    sky = np.zeros(3) if known.sky is None else np.asarray(known.sky, float)

    notices: list[Notice] = []
    record: dict[str, object] = {}
    if sensor == "auto":
        keep = response.free_of_stars(known.planes, sigma, None if stars is None else stars.planes, known.content == "scene")
        level = sky.astype(np.float32)[:, None, None]
        found = response.decide_unmix(known.planes - level if sky.any() else known.planes, sigma, keep, known.noise.map)
        matrix = np.asarray(found.matrix)
        notices += _doubts(found)
        record = {
            "method": f"auto: {found.evidence}",
            "trust": [list(row) for row in found.trust],
            "leak": found.leak,
            "leak_ha": found.leak_ha,
            "third_light": found.third,
            "boxes": found.boxes,
        }
    else:
        matrix = unmix.normalised(unmix.RESPONSES[sensor] if isinstance(sensor, str) else np.asarray(sensor, float))
        record = {"method": sensor if isinstance(sensor, str) else "given"}

    two = unmix.weights(matrix, sigma)
    planes = unmix.apply_unmix(known.planes, matrix, sigma)
    noise = unmix.noise_of_lines(known.noise, two, unmix.correlation(known.planes))
    levels = two @ sky
    ha, oiii = (
        known.replace(
            planes[k : k + 1],
            channels=(name,),
            sky=None if known.sky is None else (float(levels[k]),),
            noise=noise.picked(k),
            white=None,
        )
        for k, name in enumerate(("ha", "oiii"))
    )
    side = max(4, round(2 * (known.fwhm or 3.0)))
    light = [balance.light(i.planes[0], i.noise, i.sky[0] if i.sky else 0.0, side) for i in (ha, oiii) if i.noise]
    if light[0].share > 0.01 and light[1].share < 0.01:
        notices.append(
            Notice(
                "little-oiii",
                f"[O III] stands out of the noise in {100 * light[1].share:.1f} % of the frame only, H-alpha in {100 * light[0].share:.0f} %. "
                "Do not lift it far: `one_line` (H-alpha alone) or `natural` may suit this object better.",
            )
        )
    return Lines(
        ha.noted(
            *notices,
            sensor=[[float(v) for v in row] for row in matrix],
            **record,
            ha_share=light[0].share,
            oiii_share=light[1].share,
            noise_gain=[
                float(n.sigma[0] / s) if s > 0 else 0.0 for n, s in zip((noise.picked(0), noise.picked(1)), sigma, strict=False)
            ],
        ),
        oiii,
    )


def _doubts(found: object) -> list[Notice]:
    """Say where the estimate should not be trusted."""
    from nebulakit.pixels.response import Response

    assert isinstance(found, Response)
    leak = f"as much as {100 * 2 * found.leak:.0f} % of H-alpha may be left in [O III], or taken out of it too much"
    if found.evidence == "prior":
        return [
            Notice(
                "sensor-fallback",
                f"The nebula is too faint to find the sensor's response in it ({found.boxes} boxes with light), so a typical one was taken: {leak}. "
                "If you know the camera's response, give it as `sensor`.",
            )
        ]
    notices = []
    if found.evidence == "one line":
        notices.append(
            Notice(
                "sensor-fallback",
                "No second line stands out, so the response to [O III] was taken from a typical sensor. "
                "That matters little where there is no [O III]; if you know the camera's response, give it as `sensor`.",
            )
        )
    elif found.leak > 0.016:
        notices.append(
            Notice(
                "sensor-doubt",
                f"No part of the nebula shines in H-alpha alone, so its crosstalk rests on what sensors are like: {leak}. "
                "If filaments of H-alpha show in [O III], dark or bright, give the camera's response as `sensor`.",
            )
        )
    if found.third > 1.0 and not math.isnan(found.third):
        notices.append(
            Notice(
                "third-light",
                f"Light of a third colour lies over the nebula ({found.third:.1f} times the noise of a box): starlight on dust, or skyglow left over. "
                "It looks like both lines at once and cannot be unmixed; take out the gradient and the stars before, and read faint [O III] with care.",
            )
        )
    return notices
