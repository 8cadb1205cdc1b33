"""Pages as text: one file, escaped, whole, and what each step shows."""

import json
import re

import numpy as np
import pytest

from nebulakit.cli import call
from nebulakit.errors import InputError
from nebulakit.image import Frame, Image
from nebulakit.pixels import look
from nebulakit.pixels.facts import Noise
from nebulakit.report import numbers, places, special
from nebulakit.report.collect import grid
from nebulakit.report.figures import Plot, outline, ticks
from nebulakit.report.page import render
from nebulakit.report.sheet import Sheet
from nebulakit.steps import crop, orient, region_mask

HOSTILE = "<img src=x onerror=alert(1)>\"'&</script>"


def pictures_of(text: str) -> dict[str, str]:
    return json.loads(re.search(r'id="pictures">(.*?)</script>', text, re.S)[1])


def test_the_page_is_one_file_and_asks_for_nothing(page):
    text = page.read_text(encoding="utf-8")
    assert len(text) < 15e6
    outside = re.findall(r"""(?:src|href)\s*=\s*["'](?!data:|#)([^"']+)""", re.sub(r"<script.*?</script>", "", text, flags=re.S))
    assert outside == []
    assert not re.search(r"url\((?!['\"]?data:)", text)
    assert "default-src 'none'" in text
    for step in ("field", "remove_gradient", "denoise_wavelet", "stretch", "level_mask", "saturate", "curve"):
        assert f"{step}</h2>" in text


def test_names_notes_and_texts_are_escaped(page):
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert "<b>with markup" not in text
    assert "&lt;script&gt;alert" in text


def test_nothing_that_is_given_to_a_page_gets_out_of_its_place():
    text = render(
        title=HOSTILE,
        on=HOSTILE,
        lead=HOSTILE,
        failure=HOSTILE,
        notices=[(HOSTILE, HOSTILE, HOSTILE)],
        facts=[(HOSTILE, HOSTILE)],
        recipe=HOSTILE,
        names=(HOSTILE, HOSTILE),
        pictures={"a": HOSTILE},
    )
    assert "<img src=x" not in text
    assert text.count("</script>") == 2  # the pictures' and the page's own


def test_close_ups_are_lossless(page):
    kinds = {url.split(";")[0] for url in pictures_of(page.read_text(encoding="utf-8")).values()}
    assert kinds == {"data:image/png", "data:image/jpeg"}


def test_the_page_of_a_run_holds_neither_path_nor_host(page, night):
    import platform

    text = page.read_text(encoding="utf-8")
    assert str(night) not in text
    assert platform.node() not in re.sub(r'id="pictures">.*?</script>', "", text, flags=re.S)


def test_a_failed_run_has_a_page_that_says_so(night, run, tmp_path):
    recipe = tmp_path / "r.yaml"
    broken = "  - crop: {box: [[10%, 10%], [10.1%, 10.1%]]}\n    id: tiny\n"
    text = (night / "r.yaml").read_text()
    recipe.write_text(text.replace("  - denoise", broken + "  - denoise"))
    assert run(tmp_path / "out", "--no-cache", recipe=recipe) == 1
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "This run failed." in page
    assert "remove_gradient</h2>" in page
    assert not (tmp_path / "out" / "picture.tif").exists()
    recipe.write_text(text.replace("  - crop_to_coverage", broken + "  - crop_to_coverage"))
    assert run(tmp_path / "out", "--no-cache", recipe=recipe) == 1  # in its first step
    assert "tiny" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_folder_with_nothing_but_the_page_of_a_failed_run_is_run_into_again(night, run, tmp_path):
    recipe, out = tmp_path / "r.yaml", tmp_path / "out"
    recipe.write_text((night / "r.yaml").read_text().replace("above: 50%", "above: 50%, below: 1 sigma"))
    assert run(out, "--no-cache", recipe=recipe) == 1
    assert [p.name for p in out.iterdir()] == ["report.html"]
    recipe.write_text((night / "r.yaml").read_text())
    assert run(out, "--no-cache", recipe=recipe) == 0
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "report.html").write_text("<p>mine</p>")
    assert run(tmp_path / "theirs", "--no-cache", recipe=recipe) == 2


def test_a_page_is_that_of_the_run_beside_it(night, run, tmp_path):
    recipe, out = tmp_path / "r.yaml", tmp_path / "out"
    recipe.write_text((night / "r.yaml").read_text())
    cache = ["--cache", str(tmp_path / "cache")]
    assert run(out, *cache, recipe=recipe) == 0
    good = {p.name: p.read_bytes() for p in out.iterdir()}
    recipe.write_text((night / "r.yaml").read_text().replace("above: 50%", "above: 50%, below: 1 sigma"))
    assert run(out, *cache, recipe=recipe) == 1
    assert "This run failed." in (out / "failed.html").read_text(encoding="utf-8")
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.name != "failed.html"} == good
    recipe.write_text((night / "r.yaml").read_text())
    assert run(out, *cache, "--no-report", recipe=recipe) == 0
    assert {p.name for p in out.iterdir()} == set(good) - {"report.html"}
    (out / "report.html").write_text("<p>mine</p>")
    assert run(out, *cache, "--no-report", recipe=recipe) == 0
    assert (out / "report.html").read_text() == "<p>mine</p>"


def test_a_step_that_is_reused_still_shows_its_pictures(night, run, tmp_path):
    cache = ["--cache", str(tmp_path / "cache")]
    assert run(tmp_path / "out", *cache) == 0
    first = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert run(tmp_path / "out", *cache, "--set", "curve.points=[[0.2, 0.3]]") == 0
    second = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert second.count('num cost">reused') == 6
    for step in ("field", "remove_gradient", "denoise_wavelet"):
        shown = [re.search(rf'data-group="{step}">.*?</section>', t, re.S)[0] for t in (first, second)]
        assert re.findall(r'data-p="(\w+)"', shown[0]) == re.findall(r'data-p="(\w+)"', shown[1]) != []


STEPS = """version: 1
steps:
  - remove_gradient: {}
    id: gradient
    as: {image: flat, model: glow}
  - unmix_lines: {sensor: typical}
    id: unmix
    as: {ha: ha, oiii: oiii}
  - denoise_wavelet: {}
    id: denoise
    from: ha
    as: ha
  - deconvolve: {}
    id: sharpen
    from: ha
  - stretch_asinh: {}
    id: stretch
    from: flat
    as: shown
  - star_mask: {}
    id: where
    from: flat
    as: stars
  - saturate: {hues: [340, 60]}
    id: colour
    from: shown
  - limit_tint: {}
    id: tint
  - curve: {points: [[0.3, 0.4]]}
    id: curve
outputs:
  - {layer: last, file: a.tif}
"""


@pytest.fixture(scope="module")
def steps(collected, sky):
    return {s.id: s for s in collected(STEPS, sky).steps}


def captions(step) -> str:
    return " | ".join(d.caption for d in step.drawings)


def test_steps_with_a_picture_of_their_own_show_it(steps):
    assert "Sky samples" in captions(steps["gradient"])
    assert "skyglow that was fitted" in captions(steps["gradient"])
    assert "How the sensor sees the two lines" in captions(steps["unmix"])
    assert captions(steps["unmix"]).count("Colours of boxes") == 2
    assert "Noise per starlet scale, Hα" in captions(steps["denoise"])
    assert "FWHM 3.06 px" in captions(steps["sharpen"])
    assert "The stretch" in captions(steps["stretch"])
    assert "outline" in captions(steps["where"])
    assert "Hues worked on" in captions(steps["colour"])
    assert "The hues of the two lines" in captions(steps["tint"])
    assert "The curve" in captions(steps["curve"])
    assert all("How many pixels" in captions(s) for s in steps.values())


def test_stars_that_were_found_are_circled_and_what_was_touched_is_shown(collected, sky):
    text = "version: 1\nsteps:\n  - separate_stars: {}\n    as: {nebula: a, stars: b}\noutputs:\n  - {layer: a, file: a.fits}\n"
    step = collected(text, sky).steps[0]
    found = int(re.search(r"(\d+) stars found", captions(step))[1])
    drawn = next(d for d in step.drawings if "stars found" in d.caption)
    assert str(drawn.svg).count("<circle") == 2 * found  # dark under light
    assert "filled in or had starlight subtracted" in captions(step)
    assert [o.name for o in step.others] == ["its other result, stars"]


def test_numbers_stand_on_both_sides_also_where_kind_or_size_change(steps):
    for step in steps.values():
        told = {name: (before, after) for name, before, after in step.numbers}
        if step.id == "where":
            assert list(told) == ["covers"]
            continue
        for name in ("sky level", "unevenness", "noise"):
            assert all(told[name]), (step.id, name)
    told = {name: (before, after) for name, before, after in steps["stretch"].numbers}
    assert told["noise"][0].endswith("σ")
    assert told["noise"][1].endswith("%")


def test_linear_layers_are_shown_by_one_curve_from_one_level(steps):
    assert steps["denoise"].shown_as.endswith("one and the same curve.")
    assert steps["curve"].shown_as == ""


def test_a_curve_is_drawn_as_it_was_applied():
    points = [[0.12, 0.115], [0.5, 0.53]]
    plain, kept, lowered = (
        special._curve(points, record)
        for record in ({}, {"darkest": 0.1, "darkest_lowered_to": 0.1}, {"darkest": 0.2, "darkest_lowered_to": 0.1})
    )
    assert kept == plain
    assert "brought down" in lowered.caption
    at = [[float(v) for v in re.findall(r'<circle cx="([\d.]+)"', d.svg)] for d in (plain, lowered)]
    # places are written to a tenth; levels of 0.5 were 0.2 + 0.4 / (0.9 / 0.8) before dark ones were brought down
    assert at[1][-1] - at[0][-1] == pytest.approx((0.5556 - 0.5) / (0.5 - 0.12) * (at[0][-1] - at[0][0]), abs=0.2)


def test_colours_of_boxes_are_drawn_where_no_noise_was_found():
    """They were divided by it."""
    layer = Image.from_array(np.full((3, 40, 60), 0.5, np.float32)).replace(noise=Noise((0.0,) * 3, ((0.0,),) * 3))
    seen = special.Seen(
        None, {"sensor": [[1, 0], [0, 1], [0, 1]]}, {}, layer, layer, layer.planes, layer.planes, {}, str, ("", 60, 40)
    )
    assert len(special._sensor(seen)) == 3


def test_every_drawing_is_named_for_those_who_do_not_see_it(steps):
    for step in steps.values():
        for drawing in step.drawings:
            assert "<table" in drawing.svg or re.search(r'role="img" aria-label="[^"]{5,}"', drawing.svg), drawing.caption


def test_a_long_recipe_on_pure_noise_stays_under_15_mb(collected):
    rng = np.random.default_rng(1)
    image = Image.from_array(rng.uniform(0, 1, (3, 700, 1000)), scale="display", sky=(0.2,) * 3)
    mixes = "".join(
        f"  - mix_channels: {{matrix: [[1, 0, {n / 100}], [0, 1, 0], [0, 0, 1]]}}\n    id: mix{n}\n" for n in range(1, 46)
    )
    seen = collected(f"version: 1\nsteps:\n{mixes}outputs:\n  - {{layer: last, file: a.tif}}\n", image)
    assert all(s.whole for s in seen.steps)
    assert len(render(title="long", steps=seen.steps, pictures=seen.pictures)) < 15e6


def test_a_stack_with_holes_has_a_page(collected, sky):
    planes = sky.planes.copy()
    planes[:, :60, :90] = np.nan
    text = "version: 1\nsteps:\n  - remove_gradient: {}\n  - stretch_asinh: {}\n  - curve: {}\noutputs:\n  - {layer: last, file: a.tif}\n"
    seen = collected(text, sky.replace(planes))
    assert all(s.whole and s.numbers for s in seen.steps)
    assert "nan" not in json.dumps([s.numbers for s in seen.steps])


# --- the parts ----------------------------------------------------------------------------------------------------


def test_a_view_keeps_order_and_spans_black_to_white():
    rng = np.random.default_rng(0)
    planes = rng.normal(5, 1, (1, 80, 80)).astype(np.float32)
    planes[0, 40, 40] = 500
    view, zero = look.view_of(planes, 1.0), look.levels(planes)
    shown = look.curved(planes, view, zero)
    order = np.argsort(planes.ravel())
    assert (np.diff(shown.ravel()[order]) >= 0).all()
    assert shown.min() >= 0
    assert shown[0, 40, 40] == 1
    # the curve is asinh from two softenings under zero: what lies at zero is shown at asinh(2) of the way
    level = look.curved(zero[:, None, None], view, zero).item()
    assert level == pytest.approx(np.arcsinh(2) / (np.arcsinh(2) + np.arcsinh(view.white / view.soft)), rel=1e-5)


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.2])  # px; FWHM = 2.3548 sigma
def test_the_quick_star_width_is_that_of_gaussian_stars(sigma):
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0:300, 0:300]
    plane = rng.normal(0, 1, (300, 300))
    for sx, sy, peak in zip(*rng.uniform(20, 280, (2, 30)), rng.uniform(100, 900, 30), strict=True):
        plane += peak * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 2 / sigma**2)
    # 8 %: a pixel's own width widens the narrowest, neighbours in the rim of a stamp the widest
    assert numbers.star_width(plane[None].astype(np.float32)) == pytest.approx(2.3548 * sigma, rel=0.08)


def test_no_star_width_without_stars():
    assert numbers.star_width(np.random.default_rng(0).normal(0, 1, (1, 200, 200)).astype(np.float32)) is None


def test_pixel_noise_is_that_of_white_noise():
    planes = np.random.default_rng(0).normal(3, 0.5, (2, 300, 300)).astype(np.float32)
    # 2 %: 1.4826 MAD of 90 000 values is known to 0.4 %
    assert numbers.pixel_noise(planes) == pytest.approx([0.5, 0.5], rel=0.02)


def test_places_lie_where_they_say():
    rng = np.random.default_rng(0)
    plane = rng.normal(0, 1, (600, 900)).astype(np.float32)
    y, x = np.mgrid[0:600, 0:900]
    plane += 60 * np.exp(-((x - 220) ** 2) / 2 / 12**2) * (y < 400)  # a ribbon
    plane += 400 * np.exp(-((x - 700) ** 2 + (y - 200) ** 2) / 2 / 1.5**2)
    plane += 1000 * np.exp(-((x - 500) ** 2 + (y - 480) ** 2) / 2 / 1.5**2)  # cut off: not that one
    cover = np.ones((600, 900), np.float32)
    cover[-80:, -80:] = 0.5
    found = places.places(Image.from_array(plane, coverage=cover), 120)
    assert found["star"] == pytest.approx((700, 200), abs=16)
    assert found["filament"][0] == pytest.approx(220, abs=40)
    assert abs(found["sky"][0] - 220) > 60
    assert found["rim"] == pytest.approx((840, 540), abs=20)


def test_an_outline_encloses_what_is_above_the_level():
    plane = np.zeros((40, 60), np.float32)
    plane[10:20, 15:40] = 1
    xs, ys = (np.array(v, float) for v in zip(*re.findall(r"([\d.]+) ([\d.]+)", outline(plane, 0.5)), strict=True))
    assert (xs.min(), xs.max(), ys.min(), ys.max()) == pytest.approx((15, 39.5, 10, 19.5), abs=0.8)  # in quarter pixels
    assert outline(np.ones((40, 60), np.float32), 2) == ""


def test_positions_told_are_those_a_recipe_understands():
    from nebulakit.quantity import Position

    image = Image.from_array(np.zeros((100, 200)), frame=Frame((400, 800), ((1, 0, 100), (0, 1, 60))))
    (left, top), (right, _), (_, bottom) = grid(image, None)["percent"]
    # the middle of the picture, read off the page and given to a step, is the middle of the layer
    at = Position((left + right) / 2, (top + bottom) / 2, "%").pixel(image)
    assert at == pytest.approx((99.5, 49.5), abs=1e-3)


def bottom_up(image: Image) -> Image:
    """Give the image as if its file said that the first row is the bottom of the picture."""
    frame = Frame(image.shape, bottom_up=True).then([[1, 0, 0], [0, -1, image.shape[0] - 1]])
    return image.replace(frame=frame)


def test_where_the_file_begins_at_the_bottom_places_are_those_seen():
    """Shares count from the top as seen, told by the page and the facts alike; px count the file's rows; angles turn down."""
    from nebulakit.quantity import Angle, Position

    image = bottom_up(Image.from_array(np.zeros((100, 200))))
    assert Position(25, 10, "%").pixel(image) == (49.5, 9.5)
    assert Position(50, 10, "px").pixel(image) == (50, 89)
    assert grid(image, None)["percent"] == [[0, 0], [100, 0], [0, 100]]
    assert Angle(30, "deg").turned(image) == pytest.approx(30)
    part = crop(image, box=[["0%", "10%"], ["100%", "40%"]])
    assert dict(part.facts())["place in the stack"] == "0.0 to 100.0 % across, 10.0 to 40.0 % down"
    assert part.frame.to_stack(0, 0) == (0, 89)
    mask = region_mask(image, at=["50%", "10%"], radius="5 px", feather="0 px")
    assert np.flatnonzero(mask.planes[0].any(1)).mean() == pytest.approx(9.5)


def test_where_the_file_begins_at_the_bottom_the_crop_is_drawn_where_it_was_made(collected, sky):
    """Frames lie in the upper part as seen: so does the rectangle, and a notebook has its divider."""
    import nebulakit

    cover = np.ones((240, 320), np.float32)
    cover[180:] = 0.2
    image = bottom_up(sky.replace(coverage=cover))
    text = "version: 1\nsteps:\n  - crop_to_coverage: {}\noutputs:\n  - {layer: last, file: a.fits}\n"
    (page,) = collected(text, image).steps
    drawn = next(
        re.search(r'<rect x="(\S+)" y="(\S+)" width="(\S+)" height="(\S+)"', d.svg) for d in page.drawings if "kept" in d.caption
    )
    assert [float(v) for v in drawn.groups()] == pytest.approx([0, 0, 320, 180], abs=0.1)
    assert 'type="range"' in nebulakit.run(text, image)._repr_html_()


@pytest.mark.parametrize("turned", [bottom_up, lambda i: orient(i, turn=90), lambda i: i])
def test_parts_of_one_stack_are_laid_onto_each_other_however_its_rows_lie(tmp_path, turned):
    import nebulakit
    from nebulakit.report.compare import Side, _aligned

    stack = turned(Image.from_array(np.random.default_rng(1).normal(0.5, 0.1, (1, 60, 80))))
    sides = []
    for name, part in (("a.fits", np.s_[5:50, 3:60]), ("b.fits", np.s_[12:55, 8:58])):
        (y0, _), (x0, _) = ((s.start, s.stop) for s in part)
        image = stack.moved(stack.planes[(slice(None), *part)], [[1, 0, x0], [0, 1, y0]])
        nebulakit.write(image, tmp_path / name)
        corners = [list(c) for c in image.frame.corners(image.shape)]
        record = {"inputs": {"stack": {"sha256": "0"}}, "corners": corners}
        sides.append(Side(tmp_path / name, record=record, picture=tmp_path / name))
    one, two = _aligned(*sides)
    assert np.array_equal(one.planes, stack.planes[:, 12:50, 8:58])
    assert np.array_equal(one.planes, two.planes)


def test_axes_have_a_few_round_ticks():
    assert ticks(-0.3, 17.2) == [0.0, 5.0, 10.0, 15.0]
    assert ticks(1e-4, 10, log=True) == [1e-4, 1e-2, 1.0]


# --- compare and sweep --------------------------------------------------------------------------------------------


def test_compare_tells_what_differs(run, page, tmp_path, capsys):
    assert run(tmp_path / "two", "--no-cache", "--no-report", "--set", "saturate.gain=1.8") == 0
    capsys.readouterr()
    assert call(["compare", str(page.parent), str(tmp_path / "two"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["recipe"] == [["saturate", "gain", "1.3", "1.8"]]
    assert told["picture"]["largest_difference"] > 0
    assert call(["compare", str(page.parent), str(tmp_path / "two"), "-o", str(tmp_path / "c.html")]) == 0
    text = (tmp_path / "c.html").read_text(encoding="utf-8")
    assert "What differs in the recipe" in text
    assert str(tmp_path) not in text


def test_compare_recipes_and_refuse_what_cannot_be_compared(night, page, tmp_path, capsys):
    other = tmp_path / "other.yaml"
    other.write_text((night / "r.yaml").read_text().replace("gain: 1.3", "gain: 1.1"))
    assert call(["compare", str(night / "r.yaml"), str(other), "-o", str(tmp_path / "c.html")]) == 0
    assert "1.1" in (tmp_path / "c.html").read_text(encoding="utf-8")
    capsys.readouterr()
    assert call(["compare", str(night / "r.yaml"), str(page.parent / "picture.tif")]) == 2
    assert "cannot be compared" in capsys.readouterr().err


def test_compare_overwrites_a_page_and_nothing_else(night, tmp_path, capsys):
    args = ["compare", str(night / "r.yaml"), "bicolour", "-o"]
    page, letter = tmp_path / "c.html", tmp_path / "letter.html"
    letter.write_text("<p>mine</p>")
    assert [call([*args, str(page)]) for _ in range(2)] == [0, 0]
    assert call([*args, str(letter)]) == 2
    assert letter.read_text() == "<p>mine</p>"
    assert call([*args, str(tmp_path / "none" / "c.html")]) == 2
    assert "Choose another" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["c.html", "letter.html"]


def test_a_run_that_loses_its_stack_on_the_way_is_no_fault_of_ours(night, stack, tmp_path, capsys, monkeypatch):
    """The page of the failed run could not be made, and the traceback asked the user to report it."""
    (tmp_path / "s.fits").write_bytes(stack.read_bytes())

    def gone(*args: object) -> None:
        (tmp_path / "s.fits").unlink(missing_ok=True)
        raise InputError("s.fits: it cannot be opened")

    monkeypatch.setattr("nebulakit.runner.inputs.Inputs.said", gone)
    code = call(["run", str(night / "r.yaml"), str(tmp_path / "s.fits"), "-o", str(tmp_path / "o"), "--no-cache"])
    told = capsys.readouterr().err
    assert code == 4
    assert "fault of nebulakit" not in told
    assert "s.fits: it cannot be opened" in told


def test_what_is_small_has_room_at_an_axis():
    """Its first digit was cut off."""
    drawn = Plot((0.5, 6.5), (1e-4, 1), ylog=True, across="", up="").svg("noise")
    ends = re.findall(r'text x="(\d+)"[^>]*text-anchor="end">([^<]+)<', drawn)
    assert ("34", "1e-4") in ends
    assert all(int(x) >= 6.4 * len(text) for x, text in ends)


def test_compare_linear_pictures_by_one_curve(tmp_path):
    import nebulakit

    rng = np.random.default_rng(0)
    planes = rng.normal(0, 1e-4, (1, 200, 300)).astype(np.float32)
    nebulakit.write(Image.from_array(planes), tmp_path / "a.fits")
    nebulakit.write(Image.from_array(planes), tmp_path / "b.fits")
    assert call(["compare", str(tmp_path / "a.fits"), str(tmp_path / "b.fits"), "-o", str(tmp_path / "c.html")]) == 0
    found = pictures_of((tmp_path / "c.html").read_text(encoding="utf-8"))
    assert found["a picture"] == found["b picture"]
    assert len(found["a picture"]) > 5000  # grain, not a black frame


def test_compare_tells_no_difference_of_a_linear_and_a_stretched_picture(tmp_path, capsys):
    """That of their values was told, as if one were a measure for the other."""
    import nebulakit

    planes = np.random.default_rng(0).uniform(0, 1, (1, 80, 90)).astype(np.float32)
    nebulakit.write(Image.from_array(planes), tmp_path / "a.fits")
    nebulakit.write(Image.from_array(planes, scale="display"), tmp_path / "b.fits")
    both = ["compare", str(tmp_path / "a.fits"), str(tmp_path / "b.fits")]
    assert call([*both, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["picture"] == {"width": 90, "height": 80}
    assert call([*both, "-o", str(tmp_path / "c.html")]) == 0
    assert "one is linear, the other stretched" in (tmp_path / "c.html").read_text(encoding="utf-8")


def test_compare_says_why_two_runs_on_one_stack_have_no_part_in_common(run, page, tmp_path, capsys):
    """It asked for two runs on the same stack."""
    assert run(tmp_path / "small", "--no-cache", "--no-report", "--preview", "2") == 0
    assert call(["compare", str(page.parent), str(tmp_path / "small"), "-o", str(tmp_path / "c.html")]) == 4
    assert "no part of the stack in one scale and direction" in capsys.readouterr().err


def test_a_sweep_has_a_page_with_all_pictures_and_numbers(sweep_page):
    text = sweep_page.read_text(encoding="utf-8")
    assert text.count('class="choose"') == 3
    assert "saturate.gain = 0.5" in text
    assert len(re.findall(r"<tbody>(.*?)</tbody>", text, re.S)[-1].split("</tr>")) == 4
    assert "<img src=x" not in text


def test_two_varied_values_make_a_grid_on_the_page_of_a_sweep():
    axes = [("a.x", ["1", "<2>"]), ("b.y", ["u", "v", "w"])]
    cells = [{"a.x": a, "b.y": b} for a in axes[0][1] for b in axes[1][1]]
    sheet = Sheet(len(cells))
    for n, cell in enumerate(cells, 1):
        sheet.add(n, cell, Image.from_array(np.full((3, 60, 80), 0.1 * n), scale="display"))
    told = [{"number": n, "settings": cell, "grain": 0.01} for n, cell in enumerate(cells, 1)]
    text = re.search(r'<table class="sheet".*?</table>', sheet.page("r", "s.fits", told, axes), re.S).group()
    head, *rows = re.findall(r"<tr>.*?</tr>", text, re.S)
    assert re.findall(r'scope="col">(.*?)</th>', head) == [f"b.y<br>= {v}" for v in "uvw"]
    assert [re.search(r'scope="row">(.*?)</th>', r).group(1) for r in rows] == ["a.x<br>= 1", "a.x<br>= &lt;2&gt;"]
    assert [re.findall(r"<strong>(.*?)</strong>", r) for r in rows] == [["No. 1", "No. 2", "No. 3"], ["No. 4", "No. 5", "No. 6"]]
    assert '<table class="sheet"' not in sheet.page("r", "s.fits", told)


# --- notebooks ----------------------------------------------------------------------------------------------------


def test_an_image_shows_itself_in_a_notebook(sky):
    html = sky.replace(channels=("<b>", "g", "b"), history=("<script>",))._repr_html_()
    assert html.count("data:image/png") == 1
    assert "320 x 240 px" in html
    assert "3.06 px" in html
    assert "<script>" not in html
    assert "&lt;b&gt;" in html
    mask = Image.from_array(np.ones((30, 40)), channels=("mask",), content="mask", scale="display")
    assert "not measured" in mask._repr_html_()


def test_a_run_shows_itself_with_the_stack_under_a_divider(sky):
    import nebulakit

    text = "version: 1\nsteps:\n  - crop: {box: [[10%, 10%], [90%, 70%]]}\n  - stretch_asinh: {}\noutputs:\n  - {layer: last, file: a.tif}\n"
    html = nebulakit.run(text, sky)._repr_html_()
    assert html.count("data:image/png") == 2
    assert 'type="range"' in html
    assert "2. stretch_asinh" in html
    sizes = [look.shrink(np.zeros((1, 144, 256), np.float32), 900).shape[1:]]
    assert f"width:{sizes[0][1]}px" in html
    turned = nebulakit.run("version: 1\nsteps:\n  - orient: {turn: 90}\noutputs:\n  - {layer: last, file: a.fits}\n", sky)
    assert turned._repr_html_().count("data:image/png") == 1
