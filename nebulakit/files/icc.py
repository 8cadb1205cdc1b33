"""Colour profiles: the sRGB one that pictures carry, and whether a profile found in a file bends the tones."""

from __future__ import annotations

import functools
import struct


@functools.cache
def srgb_profile() -> bytes:
    """Give an ICC profile of sRGB, the same bytes on every day."""
    from PIL import ImageCms

    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)  # the library writes the time of day here
    profile[84:100] = bytes(16)  # the identity would have to be computed anew; zero means: none
    return bytes(profile)


def bends_tones(profile: bytes) -> bool | None:
    """Tell whether a profile has a tone curve (a stretched picture) or none (linear light); None where it does not say.

    >>> bends_tones(srgb_profile())
    True
    """
    tags = _tags(profile)
    for name in (b"rTRC", b"gTRC", b"bTRC", b"kTRC"):
        curve = tags.get(name)
        if curve is None:
            continue
        if curve[:4] == b"curv" and len(curve) >= 12:
            count = struct.unpack(">I", curve[8:12])[0]
            if count == 0:
                return False
            held = min(count, (len(curve) - 12) // 2)
            values = struct.unpack(f">{held}H", curve[12 : 12 + 2 * held])
            if len(values) == 1:
                return bool(abs(values[0] / 256 - 1) > 0.05)
            middle = values[len(values) // 2] / 65535 if values else 0.5
            return bool(abs(middle - 0.5) > 0.05)
        if curve[:4] == b"para" and len(curve) >= 16:
            return bool(abs(struct.unpack(">i", curve[12:16])[0] / 65536 - 1) > 0.05)
    return True if b"A2B0" in tags else None


def _tags(profile: bytes) -> dict[bytes, bytes]:
    """Give the tags of a profile; a damaged one has none."""
    if len(profile) < 132 or profile[36:40] != b"acsp":
        return {}
    count = struct.unpack(">I", profile[128:132])[0]
    found = {}
    for i in range(min(count, 100)):
        entry = profile[132 + 12 * i : 144 + 12 * i]
        if len(entry) == 12:
            name, start, size = struct.unpack(">4sII", entry)
            found[name] = profile[start : start + size]
    return found
