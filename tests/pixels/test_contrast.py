from __future__ import annotations

import cv2
import numpy as np
import pytest

from nebulakit.pixels import colour, contrast

SCALES = [0.004 * s for s in (0.89, 0.2, 0.086, 0.041, 0.02, 0.01)]
"""White noise of 0.004 by starlet scale."""


def edge(low: float = 0.2, high: float = 0.8, blur: float = 1.3) -> np.ndarray:
    """An edge as sharp as a star is wide."""
    plane = np.full((200, 256), low, np.float32)
    plane[:, 128:] = high
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), blur), np.float32)[None]


def waves(period: float, height: float, level: float = 0.4) -> np.ndarray:
    return np.tile(level + height * np.sin(np.arange(512) * 2 * np.pi / period), (160, 1)).astype(np.float32)[None]


def grain(level: float, sigma: float = 0.01, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(level, sigma, (1, 200, 260)).astype(np.float32)


def higher(planes: np.ndarray) -> np.ndarray:
    return contrast.local_contrast(planes, 0.5, (6, 60), 0.3, SCALES, 0.1)


def together(planes: np.ndarray, strength: float = 0.4) -> np.ndarray:
    return contrast.compressed(planes, strength, 0.1, 0.9, 0.08, 60)


def finer(planes: np.ndarray, sigma: float = 0.01) -> np.ndarray:
    return contrast.sharpened(planes, 0.8, 2, (0.89 * sigma, 0.2 * sigma))


@pytest.mark.parametrize(("low", "high"), [(0.2, 0.8), (0.1, 0.9), (0.3, 0.6)])
def test_local_contrast_casts_no_halo(low: float, high: float) -> None:
    row = higher(edge(low, high))[0, 100]
    assert np.diff(row).min() > -1e-3
    assert row.min() > low - 0.012
    assert row.max() < high + 0.012


def test_local_contrast_strengthens_what_is_between_its_sizes() -> None:
    def gain(period: float) -> float:
        wave = waves(period, 0.03)
        return float(np.ptp(higher(wave)[0, 80, 120:-120]) / np.ptp(wave))

    assert gain(40) > 1.25
    assert gain(5) < 1.03
    assert gain(3) < 1.01
    assert float(np.ptp(contrast.local_contrast(waves(40, 0.03), 0.0, (6, 60), 0.3, SCALES, 0.1))) == pytest.approx(
        0.06, rel=0.02
    )


def test_local_contrast_leaves_noise_and_sky_alone() -> None:
    for level in (0.1, 0.4, 0.7):
        noise = grain(level)
        got = contrast.local_contrast(noise, 1.0, (6, 60), 0.3, [2.5 * s for s in SCALES], 0.1)
        assert got.std() < 1.06 * noise.std()
        assert float(np.median(got)) == pytest.approx(level, abs=0.001)
    below = waves(40, 0.03, level=0.05)
    np.testing.assert_allclose(higher(below), below, atol=0.004)


def test_compression_keeps_its_ends_lifts_between_and_casts_no_halo() -> None:
    flat = [float(together(np.full((1, 64, 64), v, np.float32))[0, 32, 32]) for v in (0.1, 0.3, 0.5, 0.9, 1.0)]
    assert flat[0] == pytest.approx(0.1, abs=0.002)
    assert flat[3] == pytest.approx(0.9, abs=0.004)
    assert flat[1] > 0.4
    assert flat == sorted(flat)
    for low, high in ((0.1, 0.9), (0.2, 0.8)):
        row = together(edge(low, high))[0, 100]
        far = row[20], row[-20]
        assert row[:124].max() < far[0] + 0.02
        assert row[:124].min() > far[0] - 0.01
        assert row[134:].max() < far[1] + 0.01
        assert row[134:].min() > far[1] - 0.02
        assert np.diff(row).min() > -0.005


def test_compression_keeps_detail_and_noise_as_strong_as_they_were() -> None:
    for level in (0.1, 0.3, 0.8):
        assert together(grain(level)).std() == pytest.approx(0.01, rel=0.05)
        wave = waves(12, 0.02, level=level)
        assert np.ptp(together(wave)[0, 80, 120:-120]) == pytest.approx(0.04, rel=0.12)


def test_compression_of_nothing_changes_nothing() -> None:
    planes = edge()
    np.testing.assert_allclose(together(planes, 0.0), planes, atol=0.004)


def test_sharpening_draws_fine_structure_and_no_rings() -> None:
    wave = waves(6, 0.1)
    assert np.std(finer(wave)) > 1.15 * np.std(wave)
    y, x = np.mgrid[:80, :80] - 40
    star = (0.1 + 0.8 * (1 + (y**2 + x**2) / 5) ** -3.0).astype(np.float32)[None]
    got = finer(star)
    assert got.min() > 0.0985
    assert got.max() < 1
    ring = np.hypot(y, x)
    profile = [float(got[0][(ring >= r) & (ring < r + 1)].mean()) for r in range(12)]
    assert np.diff(profile).max() < 5e-4
    row = finer(edge())[0, 100]
    assert row.min() > 0.2 - 0.01
    assert row.max() < 0.8 + 0.01


def test_sharpening_leaves_noise_alone() -> None:
    noise = grain(0.3)
    assert finer(noise).std() < 1.05 * noise.std()


@pytest.mark.parametrize("change", [higher, together, finer])
def test_colours_stay_and_nan_stays(change) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(3)
    grey = cv2.GaussianBlur(rng.normal(0, 1, (90, 120)).astype(np.float32), (0, 0), 4)
    planes = (0.35 + 1.2 * grey[None] * np.array([1, 0.7, 0.6])[:, None, None]).clip(0.15, 0.7).astype(np.float32)
    planes[:, :20, :30] = np.nan
    got = change(planes)
    assert np.array_equal(np.isnan(got), np.isnan(planes))
    seen = ~np.isnan(planes[0])
    before, after = (colour.to_lab(colour.decode(p))[:, seen] for p in (planes, got))
    inside = (got[:, seen].max(0) < 0.99) & (got[:, seen].min(0) > 0.01)
    np.testing.assert_allclose((after[1:] / after[0])[:, inside], (before[1:] / before[0])[:, inside], atol=2e-3)
    assert np.isnan(change(np.full((1, 40, 50), np.nan, np.float32))).all()
    # what lies under NaN does not reach what lies beside it
    other = planes.copy()
    whole = change(np.where(np.isnan(planes), np.float32(0.35), planes))
    assert np.abs(change(other) - whole)[:, 60:, 80:].max() < 0.02


def test_grey_level_and_back() -> None:
    planes = np.random.default_rng(0).random((3, 30, 40), np.float32)
    level = contrast.grey_level(planes)
    np.testing.assert_allclose(contrast.with_grey_level(planes, level, level), planes, atol=1e-4)
    grey = np.full((3, 5, 5), 0.37, np.float32)
    np.testing.assert_allclose(contrast.grey_level(grey), 0.37, atol=1e-5)


def test_bright_coarse_light_is_not_that_of_stars() -> None:
    planes = np.full((1, 600, 800), 0.2, np.float32)
    planes[0, 200:400, 300:500] = 0.7
    planes[0, ::40, ::40] = 1
    assert contrast.coarse_bright(planes) == pytest.approx(0.7, abs=0.05)
