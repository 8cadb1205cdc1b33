"""The invented scene: its truth is the truth, its noise is what it says, and one thing can be changed at a time."""

from __future__ import annotations

import functools
import math
import time
import typing
from typing import Any

import numpy as np
import pytest

from nebulakit.demo import Conditions, Kind, Scene, make_scene, moffat_top, seen

KINDS = typing.get_args(Kind)


@functools.cache
def scene(kind: Any = "bubble", **conditions: Any) -> Scene:
    return make_scene(seed=9, shape=(240, 320), nebula=kind, **conditions)


def test_the_same_call_gives_the_same_bits() -> None:
    again = make_scene(seed=9, shape=(240, 320), nebula="bubble")
    assert all(
        np.array_equal(getattr(scene(), f), getattr(again, f)) for f in ("stack", "coverage", "ha", "oiii", "stars", "sky")
    )
    assert not np.array_equal(make_scene(seed=10, shape=(240, 320), nebula="bubble").ha, scene().ha)


@pytest.mark.parametrize("kind", KINDS)
def test_the_parts_make_the_whole(kind: str) -> None:
    s = scene(kind, dust=1e-4)
    sensor = np.array(s.sensor)
    dust = s.dust * np.array([0.9, 1.0, 0.9])[:, None, None]
    # float32 at levels of 0.02 is good to 2e-9
    assert np.allclose(s.nebula, np.einsum("cl,lyx->cyx", sensor, np.stack([s.ha, s.oiii])) + dust, atol=1e-8)
    assert np.allclose(s.clean, np.minimum(s.nebula + s.stars + s.sky, s.conditions.white), atol=1e-7)
    assert all(p.dtype == np.float32 for p in (s.stack, s.coverage, s.ha, s.oiii, s.sigma, s.starless, s.stars, s.sky))
    assert min(float(p.min()) for p in (s.ha, s.oiii, s.stars, s.sky, s.dust)) >= 0


def test_kinds_are_what_they_are_called() -> None:
    top = {k: [float(np.percentile(p, 99.9)) for p in (scene(k).ha, scene(k).oiii)] for k in KINDS}
    peak = scene().conditions.ha_peak
    assert top["none"] == [0, 0]
    assert top["ember"] == [pytest.approx(peak, rel=0.3), 0]
    assert top["lantern"][1] > 2 * top["lantern"][0]
    for k in ("cove", "bubble", "fans", "veil"):
        assert 0.1 < top[k][1] / top[k][0] < 0.6, k  # a third, blurred by the seeing
    faint = 0.03 * peak
    share = {k: float((scene(k).ha > faint).mean()) for k in KINDS}
    assert share["veil"] > 0.8
    assert 0.12 < share["cove"] < 0.75
    assert all(share[k] < 0.4 for k in ("bubble", "fans", "lantern"))


def test_the_lines_differ_in_shape() -> None:
    for k in ("cove", "bubble", "veil"):
        s = scene(k)
        assert np.corrcoef(s.ha.ravel(), s.oiii.ravel())[0, 1] < 0.9, k
        assert (s.ha[s.oiii < 0.02 * s.oiii.max()] > 0.1 * s.ha.max()).sum() > 300, f"{k} has no place of H-alpha alone"


def test_the_noise_is_what_sigma_says() -> None:
    s = scene("none", stars=0, bright=0)
    there = s.coverage > 0
    rest = ((s.stack - s.clean) / s.sigma)[:, there]
    assert rest.std(1) == pytest.approx(np.ones(3), rel=0.015)  # 60000 pixels: 0.3 %, their neighbours alike: twice that
    assert abs(rest.mean()) < 0.03
    # fewer frames, more noise
    thin, full = there & (s.coverage < 750), s.coverage > 1450
    noise = (s.stack - s.clean)[1]
    assert noise[thin].std() / noise[full].std() == pytest.approx(
        math.sqrt((1 / s.coverage[thin]).mean() / (1 / s.coverage[full]).mean()), rel=0.15
    )


@pytest.mark.parametrize("resampling", [0.0, 1.0, 1.5])
def test_neighbours_are_alike_as_resampling_makes_them(resampling: float) -> None:
    """Bilinear interpolation at random shifts: variances 1/6, 2/3, 1/6 along an axis, so a correlation of 1/4."""
    s = scene("none", stars=0, bright=0, rotation=0.0, dither=0.0, resampling=resampling)
    inner = ((s.stack - s.clean) / s.sigma)[:, 30:-30, 40:-40]
    for a, b in ((inner[:, :, 1:], inner[:, :, :-1]), (inner[:, 1:], inner[:, :-1])):
        assert float((a * b).mean()) == pytest.approx(resampling / 6 / (1 - resampling / 3), abs=0.015)
    assert float((inner[:, :, 2:] * inner[:, :, :-2]).mean()) == pytest.approx(0, abs=0.015)


def test_one_thing_is_changed_at_a_time() -> None:
    deep = scene(frames=6000)
    assert all(np.array_equal(getattr(scene(), f), getattr(deep, f)) for f in ("ha", "oiii", "stars", "sky"))
    assert np.median(deep.sigma) == pytest.approx(np.median(scene().sigma) / 2, rel=0.02)
    other = scene(sensor=((0.9, 0.02), (0.1, 0.7), (0.03, 0.7)), white=0.8)
    assert np.array_equal(other.ha, scene().ha)
    assert np.array_equal(other.catalogue.x, scene().catalogue.x)


def test_stars_are_where_the_catalogue_says() -> None:
    s = scene("none", halo=0.0, stars=250, bright=0)
    stars, h, w = s.catalogue, *s.coverage.shape
    assert np.all(np.diff(s.catalogue.flux) <= 1e-9)
    inside = [i for i in range(len(stars)) if 20 < stars.x[i] < w - 21 and 20 < stars.y[i] < h - 21]
    alone = [i for i in inside if (np.hypot(stars.x - stars.x[i], stars.y - stars.y[i]) < 20).sum() == 1]
    assert sum(stars.flux[alone] > 0.1) >= 3
    for i in alone:
        x, y = round(float(stars.x[i])), round(float(stars.y[i]))
        cut = s.stars[:, y - 18 : y + 19, x - 18 : x + 19].sum(0, dtype=float)
        if stars.flux[i] > 0.1:
            yy, xx = np.mgrid[y - 18 : y + 19, x - 18 : x + 19]
            near = np.hypot(xx - stars.x[i], yy - stars.y[i]) < 6
            assert (cut * xx)[near].sum() / cut[near].sum() == pytest.approx(stars.x[i], abs=0.1)
            assert cut.sum() == pytest.approx(stars.flux[i], rel=0.06)  # its wings go further
    assert not stars.saturated[stars.peak < 1].any()
    bright = scene("none")
    assert bright.catalogue.saturated[:2].all()
    assert float(bright.clean.max()) == np.float32(bright.conditions.white)


def test_seeing_is_as_asked() -> None:
    s = make_scene(seed=3, shape=(200, 200), nebula="none", stars=50, bright=0, fwhm=4.0, beta=2.5, halo=0.0)
    stars = s.catalogue
    i = next(i for i in range(len(stars)) if 20 < stars.x[i] < 180 and 20 < stars.y[i] < 180)
    x, y = int(stars.x[i]), int(stars.y[i])
    yy, xx = np.mgrid[y - 8 : y + 9, x - 8 : x + 9]
    r = np.hypot(xx - stars.x[i], yy - stars.y[i])
    value = s.stars[1][y - 8 : y + 9, x - 8 : x + 9]
    top = float(value.max() * (1 + (r.flat[value.argmax()] / 2.0) ** 2 * (2 ** (1 / 2.5) - 1)) ** 2.5)
    half = np.abs(r - 2.0) < 0.15
    assert value[half].mean() / top == pytest.approx(0.5, abs=0.04)
    assert moffat_top(4.0, 2.5) == pytest.approx(1.5 / math.pi / (4 / (2**0.4 - 1)))


def test_gas_is_seen_through_the_same_air_as_stars() -> None:
    """Wings too: what is sharpened by the stars is else sharpened too much."""
    point = np.zeros((101, 121), np.float32)
    point[50, 60] = 1
    y, x = np.mgrid[-50:51, -60:61]
    star = (1 + (x**2 + y**2) / 4 * (2 ** (1 / 2.5) - 1)) ** -2.5
    gas = seen(point, Conditions(fwhm=4.0, beta=2.5))
    assert gas.sum() == pytest.approx(1, abs=1e-5)
    np.testing.assert_allclose((gas / gas[50, 60])[18:83, 28:93], star[18:83, 28:93], atol=1e-5)


def test_frames_turn_and_leave_corners_empty() -> None:
    s = scene()
    assert s.coverage[0, 0] == 0
    assert s.coverage[120, 160] == s.conditions.frames
    assert (s.stack[:, s.coverage == 0] == 0).all()
    assert np.isnan(scene(empty=float("nan")).stack[:, s.coverage == 0]).all()
    two = scene(second_night=70.0).coverage
    assert (two > 0.85 * two.max()).mean() < (s.coverage > 0.85 * s.coverage.max()).mean()


def test_it_is_an_image_with_a_header() -> None:
    image = scene().image(fwhm=3.0)
    assert image.is_rgb
    assert image.fwhm == 3.0
    assert image.arcsec_per_px() == pytest.approx(6.6e-4 * 3600)
    assert "invented" in image.header["OBJECT"]


def test_small_ones_are_quick_and_odd_sizes_work() -> None:
    for kind in KINDS:
        for shape in ((24, 31), (97, 60)):
            s = make_scene(1, shape, kind, oval=0.2, reflection=0.004, second_night=60.0, dust=1e-4)
            assert np.isfinite(s.stack).all()
    start = time.process_time()
    make_scene(2, (240, 320), "cove")
    assert time.process_time() - start < 2  # about 0.05 s; a slow machine under load may take ten times that
