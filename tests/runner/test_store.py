"""Kept layers: the same facts come back, keys follow what matters, damage is noticed."""

import dataclasses
import json

import numpy as np
import pytest

from nebulakit.image import Frame, Image
from nebulakit.pixels.facts import Noise, Psf, StarList
from nebulakit.pixels.stars.varying import Varying
from nebulakit.recipe import loads
from nebulakit.recipe.model import Ref
from nebulakit.runner.keys import Keys, digest
from nebulakit.runner.packing import array_hash
from nebulakit.runner.store import Store

RECIPE = """version: 1
about: two branches
steps:
  - bin: {factor: 2}
    as: small
  - stretch_asinh: {sky: 10%}
    from: small
    as: a
    id: first
  - stretch_asinh: {sky: 12%}
    from: small
    as: b
    id: second
outputs:
  - {layer: a, file: a.tif}
  - {layer: b, file: b.tif}
"""


def keys(text: str = RECIPE, stack: str = "s") -> Keys:
    return Keys(loads(text), {"stack": stack})


def a_full_image() -> Image:
    header = pytest.importorskip("astropy.io.fits").Header({"OBJECT": "x", "CRPIX1": 3.5})
    rng = np.random.default_rng(0)
    varies = Varying((1.5, 2.5), 0.1 + 0.2, np.random.default_rng(1).random((6, 3)), (-2, 3), 0.5, 2.5)
    stars = StarList(*(rng.random(4) for _ in range(5)), np.array([True, False, False, True]))
    return Image(
        rng.random((1, 5, 6), np.float32), ("ha",), "linear", "starless", (0.1,), Noise((1.0,), ((0.9, 0.2),), np.ones((5, 6), np.float32)), 2.5,
        Psf(np.full((3, 3), 1 / 9, np.float32), 2.5, 3.1, 0.1, 20.0, 7, varies), stars, (0.9,), np.ones((5, 6), np.float32), header,
        Frame((50, 60), ((1.0, 0.0, 3.0), (0.0, 1.0, 4.0))), ("one", "two"),
        line_hues=(20.0, 200.0), by_levels=True,
    )  # fmt: skip


def test_what_layers_share_is_hashed_and_written_once(tmp_path, monkeypatch):
    hashed, image, store = [], a_full_image(), Store(tmp_path)
    monkeypatch.setattr("nebulakit.runner.store.array_hash", lambda a: hashed.append(a) or array_hash(a))
    store.keep("one", image)
    first = len(hashed)
    store.keep("two", image.replace(image.planes + 1))
    again = [a for a in hashed[first:] if any(np.shares_memory(a, b) for b in hashed[:first])]
    assert (first > 3, len(hashed) > first, again) == (True, True, [])
    assert np.array_equal(Store(tmp_path).open("two").coverage, image.coverage)


def test_an_array_where_another_lay_before_is_hashed_anew(tmp_path):
    store = Store(tmp_path)
    for k in range(20):  # a new array often lies where one that is gone did
        store.keep(f"k{k}", Image(np.full((1, 3, 4), k, np.float32), ("ha",)))
    assert [float(Store(tmp_path).open(f"k{k}").planes[0, 0, 0]) for k in range(20)] == list(range(20))


def test_a_layer_comes_back_with_every_fact(tmp_path):
    image, store = a_full_image(), Store(tmp_path)
    store.keep("k", image)
    back = Store(tmp_path).open("k")
    assert back is not None
    for name in ("channels", "scale", "content", "sky", "fwhm", "white", "frame", "history", "line_hues", "by_levels"):
        assert getattr(back, name) == getattr(image, name), name
    assert np.array_equal(back.planes, image.planes)
    assert np.array_equal(back.coverage, image.coverage)
    assert back.noise.sigma == image.noise.sigma
    assert back.noise.scales == image.noise.scales
    assert np.array_equal(back.noise.map, image.noise.map)
    assert (back.psf.fwhm, back.psf.beta, back.psf.stars) == (2.5, 3.1, 7)
    assert np.array_equal(back.psf.kernel, image.psf.kernel)
    assert np.array_equal(back.psf.varies.amounts, image.psf.varies.amounts)
    plain = [dataclasses.replace(i.psf.varies, amounts=None) for i in (back, image)]
    assert plain[0] == plain[1]
    assert all(
        np.array_equal(getattr(back.stars, n), getattr(image.stars, n)) for n in ("x", "y", "flux", "peak", "radius", "saturated")
    )
    assert back.header == image.header


@pytest.mark.parametrize("keep", [0, 1, 50, 100])
def test_a_half_written_layer_counts_as_absent(tmp_path, keep):
    store = Store(tmp_path)
    store.keep("k", a_full_image())
    path = max((tmp_path / "arrays").glob("*.npy"), key=lambda p: p.stat().st_size)
    path.write_bytes(path.read_bytes()[:keep])
    assert Store(tmp_path).open("k") is None


def test_only_what_matters_changes_a_key():
    one = keys()
    commented = keys(RECIPE.replace("steps:", "# a remark\nsteps:").replace("about: two branches", "about: other words"))
    assert dict(one) == dict(commented)
    renamed = keys(RECIPE.replace("as: a\n", "as: c\n").replace("layer: a,", "layer: c,").replace("id: first", "id: third"))
    assert one[Ref(1, "image")] == renamed[Ref(1, "image")]
    written_otherwise = keys(RECIPE.replace("{sky: 10%}", "{sky: 10.0 %}"))
    assert one[Ref(1, "image")] == written_otherwise[Ref(1, "image")]


def test_a_change_reaches_what_depends_on_it_and_nothing_else():
    one, two = keys(), keys(RECIPE.replace("10%", "11%"))
    assert one[Ref(0, "image")] == two[Ref(0, "image")]
    assert one[Ref(1, "image")] != two[Ref(1, "image")]
    assert one[Ref(2, "image")] == two[Ref(2, "image")]
    other_stack = keys(stack="t")
    assert all(one[r] != other_stack[r] for r in one)


def test_source_and_libraries_are_part_of_a_key(monkeypatch):
    from nebulakit.runner import keys as known

    one = keys()
    monkeypatch.setattr(known, "source_digest", lambda: "other")
    assert keys()[Ref(0, "image")] != one[Ref(0, "image")]
    monkeypatch.undo()
    monkeypatch.setattr(known, "versions", lambda: {"numpy": "99"})
    assert keys()[Ref(0, "image")] != one[Ref(0, "image")]


def test_trim_drops_the_longest_unused_first_and_never_this_runs_own(tmp_path):
    import os

    old, new = Store(tmp_path), Store(tmp_path)
    for n, name in enumerate("abc"):
        old.keep(name, Image.from_array(np.full((1, 64, 64), n)))
        os.utime(tmp_path / "layers" / f"{name}.json", (1000 + n, 1000 + n))
    for path in (tmp_path / "arrays").glob("*.npy"):
        os.utime(path, (1000, 1000))
    assert new.open("a") is not None  # used now, and this run's own
    os.utime(tmp_path / "layers" / "a.json", (1000, 1000))
    new.trim(2 * 64 * 64 * 4 + 6000)
    left = {e.stem for e in new.layers()}
    assert "a" in left
    assert "b" not in left
    new.trim(0)
    assert {e.stem for e in new.layers()} == {"a"}


def test_records_are_strict_json(tmp_path):
    from nebulakit.runner.keys import plain

    told = plain({"a": float("nan"), "b": np.float32(1.5), "c": [np.int64(2), (3.0, float("inf"))]})
    assert json.loads(json.dumps(told, allow_nan=False)) == {"a": None, "b": 1.5, "c": [2, [3.0, None]]}


def test_digest_ignores_key_order():
    assert digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})
