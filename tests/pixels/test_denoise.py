"""Denoising: nearer to the truth, what is taken is noise, and nothing but the pixels decides."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from nebulakit.demo import Scene, make_scene
from nebulakit.pixels import denoise, denoise_shares, noise_model, shrinkage, starlet, wavelets
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.parallel import threads


def calm(planes: np.ndarray, noise: Noise, **options: object) -> np.ndarray:
    return denoise.apply_denoise(planes, denoise.decide_denoise(planes, noise, **options), noise.map)  # type: ignore[arg-type]


@functools.cache
def scene(nebula: str = "cove", **conditions: float) -> tuple[Scene, np.ndarray, Noise, np.ndarray]:
    """Give a scene, its starless stack, the noise, and where coverage is good."""
    made = make_scene(seed=6, shape=(300, 400), nebula=nebula, **conditions)  # type: ignore[arg-type]
    return made, made.starless, measure_noise(made.starless, made.coverage), made.coverage > 0.7 * made.coverage.max()


def decibels(a: np.ndarray, truth: np.ndarray) -> float:
    return float(-10 * np.log10(((a - truth) ** 2).mean()))


def correlation(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.corrcoef(a.ravel(), b.ravel())[0, 1])


@pytest.mark.parametrize(("nebula", "least"), [("cove", 10.3), ("bubble", 11.5), ("veil", 7.4), ("fans", 14.2), ("none", 31.0)])
def test_the_result_is_much_nearer_to_the_truth(nebula: str, least: float) -> None:
    made, noisy, noise, well = scene(nebula)
    after = calm(noisy, noise)
    gains = decibels(after[:, well], made.nebula[:, well]) - decibels(noisy[:, well], made.nebula[:, well])
    assert gains > least  # 1 dB under what it was when this was written


@pytest.mark.parametrize("nebula", ["cove", "veil", "lantern"])
def test_what_is_taken_away_is_noise(nebula: str) -> None:
    made, noisy, noise, well = scene(nebula)
    taken = noisy - calm(noisy, noise)
    for c in range(3):
        gone, there = taken[c][well], (noisy - made.nebula)[c][well]
        assert gone.std() < 1.02 * there.std()
        assert abs(correlation(gone, made.nebula[c][well])) < 0.05
        for step in (1, 2, 5):  # no structure in it that the noise does not have
            ours, noises = (
                correlation(p[:, step:][well[:, step:]], p[:, :-step][well[:, step:]])
                for p in (taken[c], noisy[c] - made.nebula[c])
            )
            assert ours < noises + 0.05


def test_uneven_coverage_comes_out_even() -> None:
    made, noisy, noise, _ = scene("none")
    left = (calm(noisy, noise) - made.nebula)[0] / noise.sigma[0]
    share = made.coverage / made.coverage.max()
    thick, thin = left[share > 0.95].std(), left[(share > 0.3) & (share < 0.6)].std()
    assert thin < 0.15
    assert thick < 0.06
    even = calm(noisy, Noise(noise.sigma, noise.scales, None))  # without the map the thin parts keep their grain
    assert ((even - made.nebula)[0] / noise.sigma[0])[(share > 0.3) & (share < 0.6)].std() > 3 * thin


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (8, 9), (17, 40), (61, 33), (130, 130)])
def test_without_noise_to_reckon_with_every_size_comes_back(shape: tuple[int, int]) -> None:
    planes = np.random.default_rng(1).normal(5, 1, (1, *shape)).astype(np.float32)
    noise = Noise((1.0,), ((0.89, 0.2, 0.086, 0.041, 0.02, 0.01),))
    np.testing.assert_allclose(calm(planes, noise, strength=1e-3), planes, atol=2e-5)


def test_the_border_of_tiles_cannot_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    _, noisy, noise, _ = scene("cove")
    whole = calm(noisy[:1], noise.picked(0))
    monkeypatch.setattr(denoise, "_TILE", 96)
    np.testing.assert_allclose(calm(noisy[:1], noise.picked(0)), whole, atol=1e-3 * noise.sigma[0])


def test_the_same_bits_with_two_threads_and_nothing_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    _, noisy, noise, _ = scene("cove")
    before = noisy.copy()
    monkeypatch.setattr(denoise, "_TILE", 128)
    one = calm(noisy, noise)
    token = threads.set(2)
    try:
        assert np.array_equal(one, calm(noisy, noise))
    finally:
        threads.reset(token)
    assert np.array_equal(noisy, before)


@settings(max_examples=8)
@given(st.floats(1e-4, 1e4), st.floats(-50, 50))
def test_units_do_not_matter(factor: float, offset: float) -> None:
    plane = np.random.default_rng(2).standard_normal((1, 96, 80)).astype(np.float32)
    plane += 20 * np.exp(-((np.mgrid[:96, :80] - 40.0) ** 2).sum(0) / 200).astype(np.float32)
    noise = Noise((1.0,), (tuple(0.8908 * 0.25**j for j in range(6)),))
    plain = calm(plane, noise)
    moved = calm((plane * np.float32(factor) + np.float32(offset * factor)).astype(np.float32), noise.scaled(factor))
    np.testing.assert_allclose(moved / factor - offset, plain, atol=5e-3)


def test_more_strength_takes_more() -> None:
    _, noisy, noise, _ = scene("cove")
    taken = [float((noisy - calm(noisy, noise, strength=s)).std()) for s in (0.3, 0.7, 1.0, 2.0)]
    assert taken == sorted(taken)
    assert taken[0] < 0.6 * taken[2]


def test_light_that_is_anything_over_next_to_no_noise_stays() -> None:
    """Of a picture without noise all became NaN: the square of the ratio does not fit into 32-bit floats."""
    band = np.full((40, 50), 1e4, np.float32)
    band[:, 25:] = -3e6
    for parts in ([[band] * 3], [[band] * 3, [band] * 3]):
        for out in shrinkage.shrink(parts, [1e-12] * 3, None, 0):
            np.testing.assert_allclose(out, band, rtol=1e-6)  # gains of one but for rounding


def test_a_scale_that_is_spared_is_left_alone() -> None:
    made, noisy, noise, well = scene("none")
    spared = calm(noisy, noise, by_scale=(0.0, 1.0, 1.0, 1.0, 1.0, 1.0))[0]
    fine = (noisy[0] - made.nebula[0])[well].std()
    assert 0.7 * fine < (spared - made.nebula[0])[well].std() < fine
    # the finest level holds what differs between neighbours
    assert np.diff(spared, axis=1)[:, 100:300].std() > 0.8 * np.diff(noisy[0], axis=1)[:, 100:300].std()


@pytest.mark.parametrize("spared", range(6))
def test_bright_light_is_a_number_where_a_scale_is_spared(spared: int) -> None:
    """A star of 50000 noises over a scale in which none is reckoned with: squares of what it is over nothing were infinite."""
    rng, (y, x) = np.random.default_rng(3), np.mgrid[:160, :160]
    star = (5e4 * np.exp(-((y - 80) ** 2 + (x - 70) ** 2) / 4)).astype(np.float32)
    noisy = (star + rng.standard_normal((3, 160, 160))).astype(np.float32)
    made = calm(noisy, measure_noise(noisy), by_scale=tuple(float(k != spared) for k in range(6)))
    assert np.abs(made - star).max() < 6  # noise on the star may stay: of 76800 values the largest is 4.4


def test_stars_get_no_rings() -> None:
    y, x = np.mgrid[:160, :160].astype(float)
    stars = sum(
        f * (1 + ((x - px) ** 2 + (y - py) ** 2) / 2.5**2) ** -3.2
        for f, px, py in ((3000, 40.3, 50.1), (300, 110.7, 60), (60, 80, 120.5))
    )
    noisy = (stars + np.random.default_rng(3).standard_normal((160, 160))).astype(np.float32)[None]
    after = calm(noisy, measure_noise(noisy))[0]
    for px, py in ((40.3, 50.1), (110.7, 60), (80, 120.5)):
        far = np.hypot(x - px, y - py)
        for inner in range(4, 24, 2):
            ring = (far >= inner) & (far < inner + 2)
            assert abs(float(np.median((after - stars)[ring]))) < 0.4  # sigma: what chance leaves of 30 pixels with grain


def test_axes_are_orthonormal_and_part_the_light() -> None:
    _, noisy, noise, _ = scene("bubble")
    axes = np.array(denoise.decide_denoise(noisy, noise)["axes"])
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-9)
    turned = np.tensordot(axes / np.array(noise.sigma), noisy, 1)[:, 100:200, 150:250]
    assert turned[2].std() < 0.5 * turned[:2].std(axis=(1, 2)).max()  # two lines: nothing but noise on the third


def test_decisions_are_plain_values() -> None:
    import json

    _, noisy, noise, _ = scene("cove")
    values = denoise.decide_denoise(noisy, noise)
    again = denoise.apply_denoise(noisy, json.loads(json.dumps(values)), noise.map)
    assert np.array_equal(again, denoise.apply_denoise(noisy, values, noise.map))


def test_band_variances_are_those_of_correlated_noise() -> None:
    import cv2

    taps = np.array([0.2, 0.6, 0.2])
    plane = cv2.sepFilter2D(np.random.default_rng(4).standard_normal((900, 900)).astype(np.float32), -1, taps, taps)
    noise = measure_noise(plane[None])
    told = denoise._band_variances(np.array(noise.scales[0]) / noise.sigma[0], 3) * noise.sigma[0] ** 2
    first = wavelets.analyse(plane, 1)
    second = wavelets.analyse(first[0], 2)
    for level, parts in enumerate((first, second)):
        np.testing.assert_allclose([p.var() for p in parts[1:]], told[level][:3], rtol=0.1)
    half = np.ascontiguousarray(second[0][::2, ::2])
    left = second[0] - wavelets.between(half, second[0].shape)
    assert left.var() == pytest.approx(told[1][3], rel=0.1)
    third = wavelets.analyse(half, 2)
    np.testing.assert_allclose([p.var() for p in third[1:]], told[2][:3], rtol=0.15)


def test_brightness_and_colour_are_parts_of_the_whole() -> None:
    random = np.random.default_rng(5)
    before, after = (random.normal(size=(3, 6, 7)).astype(np.float32) for _ in range(2))
    bright, colour = denoise.only("brightness", before, after), denoise.only("colour", before, after)
    np.testing.assert_allclose(bright + colour - before, after, atol=1e-6)
    np.testing.assert_allclose(colour.mean(0), before.mean(0), atol=1e-6)
    np.testing.assert_allclose(np.diff(bright, axis=0), np.diff(before, axis=0), atol=1e-6)


def second_alone(values: dict[str, object]) -> dict[str, object]:
    return {**values, "shares": [[shrinkage.SECOND] * len(row) for row in values["shares"]]}  # type: ignore[attr-defined]


@pytest.mark.parametrize(("nebula", "more"), [("cove", 0.0), ("veil", 0.07), ("fans", 0.2), ("bubble", 0.25), ("none", 0.7)])
def test_shares_leave_less_error(nebula: str, more: float) -> None:
    made, noisy, noise, well = scene(nebula)
    values = denoise.decide_denoise(noisy, noise)
    with_shares, without = (denoise.apply_denoise(noisy, v, noise.map) for v in (values, second_alone(values)))
    truth = made.nebula[:, well]
    # half of what it was when this was written
    assert decibels(with_shares[:, well], truth) > decibels(without[:, well], truth) + more


def test_corners_with_few_frames_do_not_speak_for_the_whole() -> None:
    """Their noise is ten times the usual: counted as it is, it alone decided, and cost the rest up to 0.16 dB."""
    made = make_scene(seed=11, shape=(300, 400))
    noise, well = measure_noise(made.starless, made.coverage), made.coverage > 0.7 * made.coverage.max()
    values = denoise.decide_denoise(made.starless, noise)
    with_shares, without = (denoise.apply_denoise(made.starless, v, noise.map) for v in (values, second_alone(values)))
    truth = made.nebula[:, well]
    # half of what it was when this was written
    assert decibels(with_shares[:, well], truth) > decibels(without[:, well], truth) + 0.07


def test_texture_that_is_nowhere_clear_is_kept_and_noise_alone_is_not() -> None:
    random = np.random.default_rng(4)
    noise = Noise((1.0,), (tuple(float(s) for s in starlet.white_sigmas(6)),), None)
    wide = gaussian_filter(random.standard_normal((400, 400)), 1.5)
    texture = (0.25 * wide / wide.std()).astype(np.float32)[None]
    grain = random.standard_normal((1, 400, 400)).astype(np.float32)
    values = denoise.decide_denoise(texture + grain, noise)
    assert max(share[2] for share in values["shares"][0]) > 0.1
    with_shares, without = (denoise.apply_denoise(texture + grain, v) for v in (values, second_alone(values)))
    assert decibels(with_shares, texture) > decibels(without, texture) + 0.1
    stronger = denoise.decide_denoise(texture + grain, noise, strength=1.5)["shares"][0]
    assert max(share[2] for share in stronger) < 0.06  # more noise than there is would come back with it
    # noise alone: on 12 tiles the third level has some 12000 independent values, the fourth a quarter: chance gives 0.01-0.02
    assert max(share[2] for share in denoise.decide_denoise(grain, noise)["shares"][0]) < 0.06


@pytest.mark.parametrize(("peak", "kept"), [(8, 0.85), (30, 0.93)])
def test_a_rare_knot_in_an_empty_frame_stays(peak: float, kept: float) -> None:
    noise = Noise((1.0,), (tuple(float(s) for s in starlet.white_sigmas(6)),), None)
    y, x = np.mgrid[:600, :600]
    knot = (peak * np.exp(-((y - 300) ** 2 + (x - 313) ** 2) / (2 * 1.2**2))).astype(np.float32)[None]
    noisy = knot + np.random.default_rng(3).standard_normal(knot.shape).astype(np.float32)
    values = denoise.decide_denoise(noisy, noise)
    tops = [denoise.apply_denoise(noisy, v)[0, 298:303, 311:316].max() for v in (values, second_alone(values))]
    assert tops[0] > kept * tops[1]


def test_a_plane_taken_apart_is_the_sum_of_its_levels() -> None:
    plane = np.random.default_rng(2).standard_normal((90, 71)).astype(np.float32)
    low, levels = wavelets.apart(plane, 4)
    np.testing.assert_allclose(wavelets.together(low, levels), plane, atol=2e-5)  # of float32, after 4 levels
    empty = [[np.zeros_like(b) for b in bands] for bands in levels]
    parts = [denoise_shares._alone(bands, j, plane.shape) for j, bands in enumerate(levels)]
    np.testing.assert_allclose(sum(parts) + wavelets.together(low, empty), plane, atol=2e-5)


def test_the_error_told_without_the_truth_is_the_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(denoise_shares, "_WARY", 1.0)
    random = np.random.default_rng(11)
    taps = noise_model.kernel(0.6)
    power = noise_model.power(taps, denoise_shares.SIDE)
    variances = wavelets.kernel_variances(taps, 4).tolist()

    def noise() -> np.ndarray:
        white = random.standard_normal(power.shape)
        return np.fft.ifft2(np.fft.fft2(white) * np.sqrt(power)).real.astype(np.float32)

    texture = gaussian_filter(random.standard_normal(power.shape), 2, mode="wrap").astype(np.float32)
    texture *= np.float32(2 / texture.std())
    told, true = [], []
    for _ in range(20):
        noisy = texture + noise()
        told.append(denoise_shares._equations(noisy, variances, np.ones(4), None, noise())[:, -1])
        results = denoise_shares._results(noisy, variances, [None] * 4)
        ways = (results[:, 1:] - results[:, :1]).reshape(12, -1)
        true.append(ways @ (texture - noisy + (results[:, -1] - results[:, 0]).sum(0).reshape(power.shape)).ravel())
    off = np.mean(told, axis=0) - np.mean(true, axis=0)
    chance = np.std(np.subtract(told, true), axis=0) / np.sqrt(20)  # of the mean of 20
    assert (np.abs(off) < 4 * chance).all()


def test_shares_are_the_best_of_those_allowed() -> None:
    # ways that do not depend on one another, to a truth that lies within, beyond the first, and on the far side
    square, towards = np.diag([4.0, 2.0, 1.0] * 3), np.array([0.8, 0.6, 0.1, 9.0, 0.2, 0.0, -1.0, -2.0, -3.0])
    found = denoise_shares._least(np.column_stack([square, towards]))
    np.testing.assert_allclose(found, [(0.2, 0.3, 0.1), (1, 0, 0), (0, 0, 0)], atol=1e-12)
    # what one level takes, the next has no need of
    square = np.eye(6)
    square[0, 3] = square[3, 0] = 0.9
    towards = np.array([0.8, 0, 0, 0.72, 0, 0])
    np.testing.assert_allclose(denoise_shares._least(np.column_stack([square, towards])), [(0.8, 0, 0), (0, 0, 0)], atol=1e-12)
