"""The step that turns a picture by any angle."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np

from nebulakit.declare import About, step
from nebulakit.errors import StepError
from nebulakit.image import Image, Notice
from nebulakit.quantity import Angle


@step(reads="any", gives="same", resizes=True)
def rotate(
    image: Image,
    *,
    angle: Annotated[
        Angle, About("Degrees clockwise, as seen with the first row on top; added to north: up.", -360, 360)
    ] = Angle(0, "deg"),
    north: Annotated[
        Literal["as it is", "up"], About("up: turn by the sky position in the header until north is on top.")
    ] = "as it is",
    canvas: Annotated[
        Literal["whole", "same"], About("whole: large enough for all of the picture; same: the old size, corners cut off.")
    ] = "whole",
) -> Image:
    """Turn by any angle, about the middle.

    New pixels are interpolated by cubic splines (Unser 1999), which lowers the noise between pixels a little: the noise
    is carried along as measured on made noise of the same correlation. Quarter turns move pixels unchanged. Corners that
    the old picture does not reach, and a pixel or two beside empty ones, are NaN; a crop after it cuts them off. WCS,
    frame, stars and PSF follow. Best done last, and once. Stars narrower than 2 px get faint rings.

    Raises StepError for a mosaic, and for north: up without a sky position.

    >>> rotate(np.ones((1, 20, 30)), angle="90 deg").shape
    (1, 30, 20)
    """
    from nebulakit.pixels import rotation

    if image.channels == ("mosaic",):
        raise StepError("rotate would mix the colours of a mosaic; put the step collapse_bayer before it")
    degrees, notices = angle.degrees, []
    if north == "up":
        wcs = image.wcs()
        if wcs is None:
            raise StepError("north: up needs a sky position (WCS) in the stack's header, and there is none; give the angle")
        up, mirrored = rotation.north_angle(wcs, image.shape)
        degrees += up
        if mirrored:
            text = "with north on top, east lies on the right: the picture is mirrored. Put orient: {mirror: horizontal} before rotate"
            notices.append(Notice("mirrored-sky", text))
    degrees = (degrees + 180) % 360 - 180
    quarters = round(degrees / 90)
    if abs(degrees - 90 * quarters) < 1e-9 and (canvas == "whole" or quarters % 2 == 0):
        return image.oriented(quarters % 4 * 90).noted(*notices, turned_degrees=float(degrees))
    matrix, shape = rotation.rotation(image.shape, degrees, canvas == "whole")
    planes = rotation.resample(image.planes, matrix, shape)
    if image.scale == "display" or image.content == "mask":
        np.clip(planes, 0, 1, out=planes)  # NaN stays
    cover = None
    if image.coverage is not None:
        cover = rotation.resample_map(image.coverage, matrix, shape, 0.0)
    return image.moved(
        planes,
        matrix,
        coverage=cover,
        noise=None if image.noise is None else rotation.turn_noise(image.noise, matrix, shape),
        psf=None if image.psf is None else rotation.rotate_psf(image.psf, degrees),
    ).noted(*notices, turned_degrees=float(degrees))
