"""Images taken apart into plain values and arrays, and put together again."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.image import Frame, Image
from nebulakit.pixels.facts import Noise, Psf, StarList
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars.varying import Varying

_CHUNK = 1 << 23  # bytes that are hashed at a time

_STAR_FIELDS = ("x", "y", "flux", "peak", "radius", "saturated")


def apart(image: Image) -> tuple[dict[str, Any], dict[str, npt.NDArray[Any]]]:
    """Take an image apart into plain JSON values and arrays."""
    arrays: dict[str, npt.NDArray[Any]] = {"planes": image.planes}
    if image.coverage is not None:
        arrays["coverage"] = image.coverage
    facts: dict[str, Any] = {
        "channels": image.channels,
        "scale": image.scale,
        "content": image.content,
        "sky": image.sky,
        "fwhm": image.fwhm,
        "white": image.white,
        "line_hues": image.line_hues,
        "by_levels": image.by_levels,
        "history": image.history,
        "header": image.header.tostring(sep="\n") if image.header is not None else None,
        "stack_shape": image.frame.stack_shape,
        "to_stack": image.frame.to_stack_matrix,
        "bottom_up": image.frame.bottom_up,
        "inside": image.frame.inside,
    }
    if image.noise is not None:
        facts["noise"] = {"sigma": image.noise.sigma, "scales": image.noise.scales}
        if image.noise.map is not None:
            arrays["noise.map"] = image.noise.map
    if image.psf is not None:
        p = image.psf
        facts["psf"] = {"fwhm": p.fwhm, "beta": p.beta, "ellipticity": p.ellipticity, "angle": p.angle, "stars": p.stars}
        arrays["psf.kernel"] = p.kernel
        if p.varies is not None:
            v = p.varies
            facts["psf"]["varies"] = {f.name: getattr(v, f.name) for f in dataclasses.fields(v)} | {"amounts": v.amounts.tolist()}
    if image.stars is not None:
        arrays |= {f"stars.{name}": getattr(image.stars, name) for name in _STAR_FIELDS}
    return facts, arrays


def _tuple(value: Any) -> Any:
    return tuple(map(_tuple, value)) if isinstance(value, list) else value


def _varying(facts: Mapping[str, Any] | None) -> Varying | None:
    if facts is None:
        return None
    return Varying(**{k: _tuple(v) for k, v in facts.items()} | {"amounts": np.array(facts["amounts"], float)})


def together(facts: Mapping[str, Any], arrays: Mapping[str, Any]) -> Image:
    """Put an image together again."""
    header = None
    if facts["header"] is not None:
        from astropy.io.fits import Header

        header = Header.fromstring(facts["header"], sep="\n")
    noise, psf = facts.get("noise"), facts.get("psf")
    return Image(
        arrays["planes"],
        _tuple(facts["channels"]),
        facts["scale"],
        facts["content"],
        _tuple(facts["sky"]),
        Noise(_tuple(noise["sigma"]), _tuple(noise["scales"]), arrays.get("noise.map")) if noise else None,
        facts["fwhm"],
        Psf(arrays["psf.kernel"], **psf | {"varies": _varying(psf.get("varies"))}) if psf else None,
        StarList(*(arrays[f"stars.{name}"] for name in _STAR_FIELDS)) if "stars.x" in arrays else None,
        _tuple(facts["white"]),
        arrays.get("coverage"),
        header,
        Frame(_tuple(facts["stack_shape"]), _tuple(facts["to_stack"]), facts["bottom_up"], _tuple(facts["inside"])),
        _tuple(facts["history"]),
        line_hues=_tuple(facts["line_hues"]),
        by_levels=facts["by_levels"],
    )


def array_hash(array: npt.NDArray[Any]) -> str:
    """Give the SHA-256 of kind, shape and contents: of the hashes of pieces, so that several threads can work on it."""
    flat = np.ascontiguousarray(array).reshape(-1).view(np.uint8) if array.size else np.zeros(0, np.uint8)
    pieces = over(lambda start: hashlib.sha256(flat[start : start + _CHUNK].data).digest(), range(0, flat.size, _CHUNK))
    return hashlib.sha256(f"{array.dtype.str}{array.shape}".encode() + b"".join(pieces)).hexdigest()
