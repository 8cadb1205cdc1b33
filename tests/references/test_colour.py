"""Published values of colour, each with its source. Ours are float32: 2e-6 is what that leaves of encoded values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nebulakit.pixels import colour


def plane(*values: float) -> np.ndarray:
    return np.array([values], np.float32)


def test_srgb_encoding() -> None:
    # IEC 61966-2-1:1999, recomputed with colour-science
    light = plane(0.0031308, 0.01, 0.18, 0.5, 1)
    want = [0.040450, 0.099853, 0.461356, 0.735357, 1.0]
    np.testing.assert_allclose(colour.encode(light)[0], want, atol=2e-6)
    assert [colour.encode1(float(v)) for v in light[0]] == pytest.approx(want, abs=1e-6)


def test_srgb_decoding() -> None:
    # IEC 61966-2-1:1999, recomputed with colour-science
    shown = plane(0.04045, 0.1, 0.5, 128 / 255, 0.75)
    want = [0.003131, 0.010023, 0.214041, 0.215861, 0.522522]
    np.testing.assert_allclose(colour.decode(shown)[0], want, atol=2e-6)
    assert [colour.decode1(float(v)) for v in shown[0]] == pytest.approx(want, abs=1e-6)


def test_the_step_at_the_knee_is_that_of_the_published_constants() -> None:
    # IEC 61966-2-1: its rounded constants leave a step of 2.85e-8
    below, above = colour.encode1(0.0031308), colour.encode1(0.0031308 * (1 + 1e-12))
    assert abs(above - below) == pytest.approx(2.85e-8, abs=1e-9)


CIELAB = [
    # skimage 0.26 and colour-science differ by up to 0.021 among themselves (matrix and white to 4 or 6 digits)
    ((1, 0, 0), (53.2406, 80.0923, 67.2028)),
    ((0, 1, 0), (87.7351, -86.1830, 83.1797)),
    ((0, 0, 1), (32.2957, 79.1856, -107.8573)),
    ((1, 1, 1), (100.0000, -0.0025, 0.0047)),
    ((0.5, 0.5, 0.5), (53.3890, -0.0015, 0.0028)),
]


@pytest.mark.parametrize(("shown", "want"), CIELAB)
def test_cielab(shown: tuple[float, ...], want: tuple[float, ...]) -> None:
    np.testing.assert_allclose(colour.to_cielab(np.array(shown, float)), want, atol=0.025)


@pytest.mark.parametrize(("luminance", "want"), [(0.18, 49.496108), (0.1841865, 50.0), (0.5, 76.069261), ((6 / 29) ** 3, 8.0)])
def test_lightness_of_luminance(luminance: float, want: float) -> None:
    # CIE 15: L* = 116 Y^(1/3) - 16, the knee at (6/29)^3 gives 8
    assert colour.to_cielab(np.full(3, colour.encode1(luminance)))[0] == pytest.approx(want, abs=1e-4)


def test_grey_128_is_not_lightness_50() -> None:
    # CIE 15 with IEC 61966-2-1
    assert colour.to_cielab(np.full(3, 128 / 255))[0] == pytest.approx(53.5850, abs=1e-3)


def test_luminance_weights_are_one_of_those_in_use() -> None:
    # ITU-R BT.709-6 and IEC 61966-2-1; libraries differ by 3e-4
    weights = [colour.to_cielab(np.eye(3)[i])[0] for i in range(3)]
    as_y = [((v + 16) / 116) ** 3 for v in weights]
    assert as_y == pytest.approx([0.2126, 0.7152, 0.0722], abs=3e-4)
    assert sum(as_y) == pytest.approx(1, abs=1e-6)


# sRGB from XYZ (D65), the inverse of the matrix of IEC 61966-2-1 from its primaries
TO_SRGB = np.linalg.inv(
    np.array([[0.4123908, 0.3575843, 0.1804808], [0.2126390, 0.7151687, 0.0721923], [0.0193308, 0.1191948, 0.9505322]])
)

OKLAB_OF_XYZ = [
    # Ottosson 2020, his table (from memory), rounded to 3 digits; ours starts from sRGB, whose matrix has 4 digits more
    ((0.950, 1.000, 1.089), (1.000, 0.000, 0.000), 5e-4),
    ((1, 0, 0), (0.450, 1.236, -0.019), 5e-4),
    ((0, 1, 0), (0.922, -0.671, 0.263), 5e-4),
    ((0, 0, 1), (0.153, -1.415, -0.449), 5e-4),
    # colour-science, its test of Oklab
    ((0.20654008, 0.12197225, 0.05136952), (0.51634019, 0.15469500, 0.06289579), 1e-4),
    ((0.1422201, 0.23042768, 0.10495772), (0.59910746, -0.11139207, 0.07508465), 1e-4),
]


@pytest.mark.parametrize(("xyz", "want", "tolerance"), OKLAB_OF_XYZ)
def test_oklab_of_xyz(xyz: tuple[float, ...], want: tuple[float, ...], tolerance: float) -> None:
    light = (TO_SRGB @ np.array(xyz)).astype(np.float32)[:, None]
    np.testing.assert_allclose(colour.to_lab(light)[:, 0], want, atol=tolerance)


OKLAB_OF_SRGB = [
    # Ottosson 2020 (matrices from memory)
    ((1, 0, 0), (0.627955, 0.224863, 0.125846)),
    ((0, 1, 0), (0.866440, -0.233888, 0.179498)),
    ((0, 0, 1), (0.452014, -0.032457, -0.311528)),
]


@pytest.mark.parametrize(("light", "want"), OKLAB_OF_SRGB)
def test_oklab_of_primaries(light: tuple[float, ...], want: tuple[float, ...]) -> None:
    np.testing.assert_allclose(colour.to_lab(np.array(light, np.float32)[:, None])[:, 0], want, atol=1e-5)


OKLCH = [
    # Ottosson 2020; CSS Color 4 writes red as oklch(62.8% .2577 29.23) (from memory)
    ((1, 0, 0), (0.627955, 0.257683, 29.234)),
    ((0, 1, 0), (0.866440, 0.294827, 142.495)),
    ((0, 0, 1), (0.452014, 0.313214, 264.052)),
]


@pytest.mark.parametrize(("shown", "want"), OKLCH)
def test_oklch_of_primaries(shown: tuple[float, ...], want: tuple[float, ...]) -> None:
    assert colour.lch(shown) == pytest.approx(want, abs=1e-3)


SHARMA = [
    # Sharma, Wu & Dalal 2005, Color Res. Appl. 30:21, Table 1, pairs 1-6, 7, 9, 13, 17, 20, 25, 31, 34
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, 2.8361, -74.0200), (50, 0, -82.7485), 3.4412),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0009), 7.1792),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "other", "want"), SHARMA)
def test_ciede2000(one: tuple[float, ...], other: tuple[float, ...], want: float) -> None:
    # the table is rounded to 4 digits
    assert float(colour.difference(np.array(one, float), np.array(other, float))) == pytest.approx(want, abs=1e-4)
    assert float(colour.difference(np.array(other, float), np.array(one, float))) == pytest.approx(want, abs=1e-4)


@pytest.mark.real
def test_ciede2000_on_all_pairs(shared: Path) -> None:
    # the same table, all 34 pairs
    rows = np.loadtxt(shared / "sharma34.csv", delimiter=",")
    assert rows.shape == (34, 7)
    np.testing.assert_allclose(colour.difference(rows[:, :3].T, rows[:, 3:6].T), rows[:, 6], atol=1e-4)


def test_cielab_and_ciede2000_agree_with_a_library() -> None:
    # scikit-image, matrix to 6 digits as ours
    skimage = pytest.importorskip("skimage.color")
    shown = np.random.default_rng(0).random((20, 30, 3))
    ours = colour.to_cielab(shown.transpose(2, 0, 1))
    theirs = skimage.rgb2lab(shown)
    np.testing.assert_allclose(ours.transpose(1, 2, 0), theirs, atol=1e-3)
    np.testing.assert_allclose(
        colour.difference(ours, np.roll(ours, 1, 1)), skimage.deltaE_ciede2000(theirs, np.roll(theirs, 1, 0)), atol=2e-3
    )
