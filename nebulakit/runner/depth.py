"""How deep a stack is by its header, and what more hours would bring."""

from __future__ import annotations

import math
from typing import Any

MORE = 3.0  # hours that are reckoned with


def hours(header: Any) -> float | None:
    """Give the hours of exposure a header tells: a total, or seconds per frame times frames; None where it does not."""
    whole = _number(header, "TOTALEXP", "EXPTOTAL", "LIVETIME")
    if whole is not None:
        return whole / 3600
    frames, one = frames_of(header)
    # without a number of frames it is not known whether one frame or the night is meant
    return one * frames / 3600 if one is not None and frames is not None else None


def frames_of(header: Any) -> tuple[float | None, float | None]:
    """Give how many frames a header tells, and the seconds of each; None for what it does not."""
    return _number(header, "STACKCNT", "NCOMBINE", "NFRAMES", "STACKED"), _number(header, "EXPTIME", "EXPOSURE")


def _number(header: Any, *keys: str) -> float | None:
    for key in keys if header is not None else ():
        try:
            value = float(header[key])
        except (KeyError, TypeError, ValueError):
            continue
        if math.isfinite(value) and value > 0:
            return value
    return None


def more_hours(header: Any) -> dict[str, Any]:
    """Give the hours and by what three more would raise the signal-to-noise, which grows as the square root of time."""
    told = hours(header)
    gain = f"signal-to-noise x{math.sqrt((told + MORE) / told):.2f}" if told else "unknown"
    return {"hours": told if told is not None else "unknown", "three_more_hours": gain}
