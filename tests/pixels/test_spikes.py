"""Diffraction spikes: where they are drawn, that they are found where all stars have them, and that nothing is told where none has."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from nebulakit.image import Image
from nebulakit.pixels.stars import rounds, spikes
from nebulakit.pixels.stars.law import moffat_law
from nebulakit.pixels.stars.separate import Parted, separate
from nebulakit.pixels.stars.spikes import ANGLES, RADIUS, Spikes

SIGMA, WHITE, SIZE = 1e-4, 1.0, 420
FWHM, BETA = 3.0, 3.5
FOUR, SMEARED = {20: 1, 110: 1}, {a: 1 for start in (20, 110) for a in range(start, start + 36)}


def law():
    """Stars of the width and the flanks of this file."""
    return moffat_law((1, 0, 1), FWHM / 2 / np.sqrt(2 ** (1 / BETA) - 1), BETA)


def made(turns: dict[int, float], share: float, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Make three planes of stars with rays at these degrees, on noise alone, and their noise."""
    rng = np.random.default_rng(seed)
    points = np.zeros((SIZE, SIZE))
    giants = [(70, 80), (330, 60), (200, 190), (90, 340), (350, 330), (210, 50), (320, 200)]
    for (y, x), height in zip(giants, np.geomspace(0.6, 6, len(giants)), strict=True):
        points[y, x] = height
    ys, xs = rng.integers(8, SIZE - 8, (2, 80))
    points[ys, xs] += 0.003 / rng.uniform(0.02, 1, 80)
    dy, dx = np.mgrid[-100:101, -100:101].astype(float)
    star, thin = law().at(dx, dy), np.zeros(dx.shape)
    for degrees in turns:
        angle = np.deg2rad(degrees)
        along, aside = dx * np.cos(angle) + dy * np.sin(angle), dy * np.cos(angle) - dx * np.sin(angle)
        thin += np.clip(1 - np.abs(aside) / 0.7, 0, 1) * np.sinc(along / 70) ** 2
    ray = signal.fftconvolve(thin, star, "same")
    image = star + (share * star.sum() / ray.sum() * ray if share else 0)
    light = signal.fftconvolve(points, image, "same")
    colours = np.array([0.8, 1.0, 0.7])[:, None, None]
    noise = rng.normal(0, SIGMA, (3, SIZE, SIZE))
    return np.minimum(0.01 + colours * light + noise, WHITE).astype(np.float32), 0.01 + noise


def parted(planes: np.ndarray) -> Parted:
    found = Image.from_array(planes).measured("noise", "white", "stars")
    assert found.noise is not None
    return separate(found.planes, found.noise, found.coverage, found.white, found.stars)


def test_rays_are_drawn_at_their_angles_to_both_sides_as_wide_as_stars():
    density = np.zeros(ANGLES)
    density[60] = 1  # 30.25 degrees
    one = Spikes(density, np.tile(1 / RADIUS, (1, 1)), (law(),))
    image = one.image(0, one.polar(), 60)
    y, x = np.unravel_index(int(np.argmax(np.where(np.hypot(*np.mgrid[-60:60.5:0.5, -60:60.5:0.5]) > 40, image, 0))), image.shape)
    assert np.degrees(np.arctan2(y - 120, x - 120)) % 180 == pytest.approx(30.25, abs=0.7)  # a step of the image at 40 px
    np.testing.assert_allclose(image, image[::-1, ::-1], atol=2e-4 * image.max())
    # across, at 40 px: the width of a star's line, which for a Moffat law of this beta has beta - 1/2 for beta
    angle = np.deg2rad(30.25)
    aside = np.arange(-8, 8.01, 0.25)
    cut = image[
        np.rint(2 * (40 * np.sin(angle) + aside * np.cos(angle)) + 120).astype(int),
        np.rint(2 * (40 * np.cos(angle) - aside * np.sin(angle)) + 120).astype(int),
    ]
    alpha = FWHM / 2 / np.sqrt(2 ** (1 / BETA) - 1)
    width = 0.25 * (cut > cut.max() / 2).sum()
    assert width == pytest.approx(2 * alpha * np.sqrt(2 ** (1 / (BETA - 0.5)) - 1), abs=0.5)  # two steps


@pytest.mark.parametrize(("turns", "spans"), [(FOUR, [(20, 20), (110, 110)]), (SMEARED, [(20, 55), (110, 145)])])
def test_rays_of_all_stars_go_with_them(monkeypatch, turns, spans):
    planes, nebula = made(turns, 0.01)
    told = parted(planes)
    # a bin or two wider than they are, for their width is the stars' as well
    np.testing.assert_allclose(told.record["spikes_deg"], spans, atol=4)
    monkeypatch.setattr(rounds.spikes, "learn_spikes", lambda *_: None)
    without = parted(planes)
    assert "spikes_deg" not in without.record

    def left(parted: Parted) -> float:
        return float(np.sqrt(np.mean(np.square((parted.nebula - nebula) / SIGMA))))

    assert left(told) < 0.5 * left(without)  # measured 0.24 and 0.42: what stars leave anyway is in both
    assert np.array_equal(told.nebula + told.stars, planes)
    assert np.array_equal(told.nebula[:, ~told.touched], planes[:, ~told.touched])


def test_where_no_star_has_rays_none_are_told_and_no_bit_differs(monkeypatch):
    planes, _ = made({}, 0.0)
    told = parted(planes)
    assert "spikes_deg" not in told.record
    monkeypatch.setattr(rounds.spikes, "learn_spikes", lambda *_: None)
    assert np.array_equal(parted(planes).nebula, told.nebula)


def test_oval_flanks_are_no_rays():
    """All stars agree about a shape that is brighter along one axis; rays are narrower than that."""
    angle = (np.arange(ANGLES) + 0.5) * np.pi / ANGLES
    rng = np.random.default_rng(1)
    shape = (3, len(RADIUS), ANGLES)

    class Fit:
        laws = (law(),) * 3

    def seen(form):
        value = 1e3 * form / RADIUS[:, None] ** 1.5 + rng.normal(0, 1, shape)
        return spikes.Seen(value, np.ones(shape), np.full(3, 1e4), np.ones((3, len(RADIUS), 1)))

    oval = spikes._agreement(Fit, [seen(np.cos(2 * angle)) for _ in range(8)])
    rays = spikes._agreement(Fit, [seen((np.abs(angle - 1) < 0.05) * 1.0) for _ in range(8)])
    assert oval < min(spikes.SURE) <= max(spikes.SURE) < rays


def test_what_shines_far_out_alone_is_no_ray():
    """A ray's light, px by px, grows weaker outwards; what ends the image of a star, or a nebula, may shine anywhere."""
    radius = spikes.RADIUS
    shape = np.zeros((1, len(radius), spikes.ANGLES))
    shape[:, :, 100:110] = 1.0
    # every ring tells in proportion to its pixels, and surely
    weight = np.broadcast_to(1e8 * radius[None, :, None] ** 2, shape.shape)
    falling = radius**-2.0
    told = spikes._brightness(falling[:, None] * shape, weight, shape)[0]
    assert told == pytest.approx(falling, rel=0.3)  # less by what is unsure about it
    far = np.where((radius > 40) & (radius < 60), 1e-3, 0.0)
    told = spikes._brightness(far[:, None] * shape, weight, shape)[0]
    assert told.max() < 0.5e-3  # of 1e-3; eight errors of the rings within it are a hundredth of that there, and more further in
