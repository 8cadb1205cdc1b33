"""The compiled loops against the same things said in numpy."""

import math

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from nebulakit import steps
from nebulakit.demo import make_scene
from nebulakit.pixels import kriging, parallel
from nebulakit.pixels.kriging import Field
from nebulakit.pixels.stars import kernels, rimloops, ringsums
from nebulakit.pixels.stars import law as starlaw
from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import PAD
from nebulakit.pixels.stars.whitening import Whitening, factored


def drawn(law, x, y, half):
    """A star of height 1, ``x``, ``y`` off the middle, as its law tells it in words."""
    rows, cols = np.mgrid[-half : half + 1, -half : half + 1]
    left, top = math.floor(x), math.floor(y)
    shares = {(i, j): abs(1 - i - (x - left)) * abs(1 - j - (y - top)) for i in (0, 1) for j in (0, 1)}
    mean = sum(share * law.at(cols - left - i, rows - top - j) for (i, j), share in shares.items())
    return (1 - law.linear) * law.at(cols - x, rows - y) + law.linear * mean


@pytest.mark.parametrize("linear", [0.0, 0.4, 1.0])
def test_a_star_is_drawn_as_its_law_says(linear):
    law = starlaw.moffat_law((1.2, 0.1, 0.9), 2.5, 3.0, linear)
    plane = np.zeros((50, 60), np.float32)
    place = np.array([30.3]), np.array([24.6])
    for rows in ((0, 17), (17, 50)):  # in two bands
        kernels.draw(
            plane,
            *rows,
            law.placed(*place),
            *place,
            np.array([100.0]),
            np.array([20.0]),
            np.zeros((1, 5, 5), np.float32),
            np.zeros(1),
        )
    want = 100 * drawn(law, 0.3, -0.4, 20)
    y, x = np.mgrid[-20:21, -20:21]
    inside = np.hypot(y, x) <= 20
    assert np.abs(plane[5:46, 10:51] - want)[inside].max() < 1e-3  # float32, on 100
    assert not plane[5:46, 10:51][~inside].any()


@pytest.mark.parametrize("side", [-1, 1])
def test_of_a_star_beside_the_plane_only_what_reaches_in_is_drawn(side):
    law = starlaw.moffat_law((1.0, 0.0, 1.0), 2.5, 3.0)
    plane, bend = np.zeros((40, 30), np.float32), np.ones((1, 5, 5), np.float32)
    x, y = np.array([14.5 + side * 25.0]), np.array([20.0])
    kernels.draw(plane, 0, 40, law.placed(x, y), x, y, np.array([1e5]), np.array([19.4]), bend, np.array([8.0]))
    dx, dy = np.arange(30) - x[0], np.arange(40)[:, None] - y[0]
    want = np.where(np.hypot(np.arange(30) - np.rint(x[0]), dy) <= 19.4, 1e5 * law.at(dx, dy), 0)
    assert np.abs(plane - want).max() < 1e-2  # float32, on some hundreds


@pytest.mark.parametrize("linear", [0.0, 0.4, 1.0])
def test_stamps_are_stars_each_off_its_middle(linear):
    law = starlaw.moffat_law((1.2, 0.1, 0.9), 2.5, 3.0, linear)
    x, y = np.array([0.0, 0.95, -0.95, 0.3]), np.array([0.0, -0.5, 0.95, -0.95])
    want = [drawn(law, *place, 7) for place in zip(x, y, strict=True)]
    assert np.abs(law.stamps(x, y, 7) - want).max() < 1e-5  # float32


def test_a_bent_star_is_the_convolved_one():
    law = starlaw.moffat_law((1.0, 0.0, 1.0), 2.0, 3.0)
    bend = np.tensordot(np.linspace(-1, 1, len(starlaw.MODES)), np.stack(starlaw.MODES), 1)
    plane, none = np.zeros((41, 41), np.float32), np.zeros(1)
    one = np.array([20.2]), np.array([19.9])
    kernels.draw(plane, 0, 41, law.placed(*one), *one, none, np.array([15.0]), bend[None].astype(np.float32), np.array([8.0]))
    star = drawn(law, 0.2, -0.1, 11).astype(np.float64)
    want = sum(bend[j, i] * star[4 - j : 23 - j, 4 - i : 23 - i] for j in range(5) for i in range(5))
    assert np.abs(plane[11:30, 11:30] - want).max() < 1e-5


def test_what_is_made_white_is_white_with_all_that_was_allowed():
    rng = np.random.default_rng(3)
    mixed = rng.normal(size=(30, 40))
    cover, vectors = mixed @ mixed.T, 5 * rng.normal(size=(30, 6))
    white = Whitening(factored(cover.copy()))
    followed = white(mixed[:, :3].T)
    for some in (vectors[:, :1], vectors[:, 1:4], vectors[:, 4:]):  # one by one or many at once
        u = white(some.T)
        followed = followed - (followed @ u.T) @ white.allow(u) @ u
    made = white(np.eye(30)).T
    assert np.allclose(made @ (cover + vectors @ vectors.T) @ made.T, np.eye(30), atol=1e-9)
    assert np.allclose(followed, white(mixed[:, :3].T), atol=1e-9)
    single = np.ascontiguousarray(mixed[:, :3].T, np.float32)
    white.roughly(single)
    assert np.allclose(single, followed, atol=1e-3)  # single precision, of a covariance whose condition is some thousands
    white.allow(np.zeros((1, 30)))
    white.allow(np.zeros((0, 30)))
    assert np.allclose(followed, white(mixed[:, :3].T), atol=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.02, 0.6, 1.0])
def test_every_so_many_flags_are_found_where_they_stand(share):
    flags = (np.random.default_rng(1).random((61, 53)) < share)[3:-2, 1:]
    rows, columns = np.empty((2, flags.size // 17 + 1), np.int64)
    count = ringsums.every(flags, 17, rows, columns)
    assert np.array_equal(np.flatnonzero(flags)[::17], rows[:count] * flags.shape[1] + columns[:count])


def test_stars_are_drawn_on_cells_as_their_laws_tell():
    laws = [starlaw.moffat_law((1.2, 0.1, 0.9), 2.5, 3.0), starlaw.moffat_law((1.0, 0.0, 1.0), 3.0, 2.5)]
    ghost = starlaw.Ghost(4.0, -3.0, 24.0, 1.2, 4e-3)
    none = np.zeros_like(ghost.law.table)
    looks = (
        np.stack([law.table for law in laws]),
        np.stack([law.shape for law in laws]),
        np.stack([ghost.law.table, none]),
        np.array([(ghost.dx, ghost.dy), (0.0, 0.0)]),
    )
    x, y = np.random.default_rng(1).uniform(0, 40, (2, 50))
    px, py = np.array([[3.2, 20.5]]), np.array([[-4.1, -7.7]])
    out = np.empty((2, 2, 50))
    rimloops.draw((x, y), (px, py), np.array([False, True]), looks, out)
    for c, law in enumerate(laws):
        for i in range(2):
            dx, dy = x - px[0, i], y - py[0, i]
            want = law.at(dx, dy) + (ghost.at(dx, dy) if (c, i) == (0, 1) else 0)
            assert np.abs(out[c, i] - want).max() < 1e-5  # float32, and the table's steps


def test_cells_vary_together_as_nebula_level_and_slope_do():
    rng = np.random.default_rng(2)
    field = Field(0.5, 1.2)
    y, x = rng.integers(0, 30, (2, 25))
    strengths, own = np.array([0.5, 3.0]), rng.uniform(1, 2, (2, 25))
    out = np.zeros((2, 25, 25))
    rimloops.covers((y, x), field.table(1.0, 30, noise=False), strengths, own, out)
    for strength, some, cover in zip(strengths, own, out, strict=True):
        want = [
            [strength * field.covariance[(a - c) % 256, (b - d) % 256] for c, d in zip(y, x, strict=True)]
            for a, b in zip(y, x, strict=True)
        ]
        want += 1e4 + np.outer(y, y) + np.outer(x, x) + np.diag(some)
        assert np.allclose(np.triu(cover), np.triu(want), rtol=1e-12)


@pytest.mark.parametrize("n", [1, 7, 8, 9, 40])
def test_a_factored_matrix_solves(n):
    rng = np.random.default_rng(n)
    root, right = rng.normal(size=(n, n)), rng.normal(size=(n, 3))
    matrix = root @ root.T + np.eye(n)
    a = np.concatenate([matrix, right], 1)
    kernels._factor(a, n, 3)
    found = np.stack([a[:, n + k].copy() for k in range(3)])
    for column in found:
        kernels._back(a, n, column)
    assert np.allclose(matrix @ found.T, right, atol=1e-9)


def field_of_stars(seed: int = 3) -> tuple[StarFit, tuple[np.ndarray, ...]]:
    """Give a fit of twelve stars on white noise, started a little off, and their true x, y and heights."""
    rng = np.random.default_rng(seed)
    law = starlaw.moffat_law((1.0, 0.0, 1.0), 2.2, 3.0)
    x, y = (v.ravel() + rng.uniform(-0.4, 0.4, 12) for v in np.meshgrid([15.0, 40, 65, 90], [15.0, 40, 65]))
    height = np.geomspace(30, 900, 12)
    planes = rng.normal(0, 1, (3, 80, 105)).astype(np.float32)
    for plane in planes:
        kernels.draw(
            plane, 0, 80, law.placed(x, y), x, y, height, np.full(12, 30.0), np.zeros((12, 5, 5), np.float32), np.zeros(12)
        )
    fit = StarFit(planes, np.zeros(planes.shape, bool), None, [law] * 3, kriging.Field(0.0, 1.3))
    fit.add(x + 0.2, y - 0.1, np.tile(0.8 * height, (3, 1)), np.zeros(12, bool))
    return fit, (x, y, height)


def test_stars_are_found_as_high_as_they_are():
    fit, (x, y, height) = field_of_stars()
    fit.redraw()
    for _ in range(3):
        fit.sweep(np.arange(12))
        fit.redraw()
    # the peak of such a star is known to about 0.5 sigma by its own pixels (fit of a known shape to white noise)
    assert np.abs(fit.height - height).max() < 3 + 0.02 * height.max()
    assert np.abs(fit.height / height - 1).mean() < 0.03
    assert np.hypot(fit.x - PAD - x, fit.y - PAD - y)[:, height > 100].max() < 0.05


def test_the_same_for_any_number_of_threads():
    rests = []
    for n in (1, 3):
        fit, _ = field_of_stars()
        token = parallel.threads.set(n)
        try:
            fit.redraw()
            fit.sweep(np.arange(12))
            fit.redraw(anew=True)
        finally:
            parallel.threads.reset(token)
        rests.append(fit.rest)
    assert np.array_equal(*rests)


def test_the_same_whatever_blas_may_use(monkeypatch):
    """A notebook lets BLAS run on all processors; a step gives the bits of the command line, which does not."""
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    scene = make_scene(3, (110, 150), "bubble").image()

    def blas() -> list[int]:
        return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]

    found = []
    for threads in (1, 2):
        with threadpool_limits(threads, user_api="blas"):
            found.append(steps.separate_stars(scene).nebula.planes)
            assert set(blas()) == {threads}
            with parallel.one_blas_thread():
                with parallel.one_blas_thread():
                    pass
                assert set(blas()) == {1}
            assert set(blas()) == {threads}
    assert np.array_equal(*found)


def test_a_new_law_is_drawn_as_if_anew():
    fit, _ = field_of_stars()
    fit.redraw()
    fit.sweep(np.arange(12))
    for c, law in enumerate(fit.laws):
        table = law.table * (1 + 0.05 * np.exp(-(((starlaw.RADII - 6) / 2) ** 2)))
        fit.laws[c] = starlaw.Law(law.contour, (table / 1.01).astype(np.float32), law.linear)
        fit.height[c] *= 1.01
    fit.redraw()
    quick = fit.rest.copy()
    fit.redraw(anew=True)
    assert np.abs(quick - fit.rest).max() < 0.1  # each is left out where it sinks under 0.02, and a few overlap


@pytest.mark.parametrize(("contour", "linear"), [((1.3, 0.2, 1.0), 0.0), ((1.0, 0.0, 1.0), 0.5)])
def test_a_law_of_another_shape_is_drawn_as_if_anew(contour, linear):
    fit, _ = field_of_stars()
    fit.redraw()
    fit.laws = [starlaw.Law(contour, law.table, linear) for law in fit.laws]
    fit.redraw()
    quick = fit.rest.copy()
    fit.redraw(anew=True)
    assert np.array_equal(quick, fit.rest)


def test_stars_that_come_and_go_are_drawn_as_if_anew():
    fit, _ = field_of_stars()
    fit.ghosts = [starlaw.Ghost(4.0, -3.0, 12.0, 1.2, 1e-3)] * 3
    fit.redraw()
    fit.sweep(np.arange(12))
    fit.drop(np.arange(12) % 3 > 0)
    fit.add(np.array([50.0]), np.array([30.0]), np.full((3, 1), 4e3), np.ones(1, bool))
    fit.show(8)
    shown = fit.rest.copy()
    fit.redraw()
    quick, doubt = fit.rest.copy(), fit.doubt.copy()
    fit.redraw(anew=True)
    inner = np.s_[:, PAD:-PAD, PAD:-PAD]  # of the margin only what was mirrored last
    for rest in (shown, quick):
        assert np.abs(rest - fit.rest)[inner].max() < 0.1  # each is left out where it sinks under 0.02, and a few overlap
    assert np.array_equal(doubt, fit.doubt)
    assert doubt.any()


def test_rings_around_places_are_summed():
    rng = np.random.default_rng(1)
    value, other, weight = rng.normal(size=(3, 30, 40)).astype(np.float32)
    dy, dx = np.mgrid[-4:5, -4:5]
    rings = [np.abs(np.hypot(dy, dx) - r) <= 0.6 for r in (1, 3)]
    shifts = [(dy[ring] * 40 + dx[ring]).astype(np.int64) for ring in rings]
    starts = np.cumsum([0, *(len(s) for s in shifts)])
    places = np.array([10 * 40 + 12, 20 * 40 + 30])
    sums, weights = np.zeros((2, 2, 2)), np.zeros((2, 2))
    both = np.stack([value.ravel(), other.ravel()])
    ringsums.around(both, weight.ravel(), places, np.concatenate(shifts), starts, sums, weights)
    for i, (y, x) in enumerate(((10, 12), (20, 30))):
        for k, ring in enumerate(rings):
            assert sums[0, i, k] == pytest.approx(value[y - 4 : y + 5, x - 4 : x + 5][ring].sum(), abs=1e-4)
            assert sums[1, i, k] == pytest.approx(other[y - 4 : y + 5, x - 4 : x + 5][ring].sum(), abs=1e-4)
            assert weights[i, k] == pytest.approx(weight[y - 4 : y + 5, x - 4 : x + 5][ring].sum(), abs=1e-4)
