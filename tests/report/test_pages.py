"""Pages as text: one file, escaped, whole; and in a real browser."""

import json
import re
import threading
import time

import pytest

from nebulakit.cli import call
from nebulakit.report.watch import Watch, serve
from nebulakit.runner.job import Job
from nebulakit.runner.store import Store


def test_the_page_is_one_file_and_asks_for_nothing(page):
    text = page.read_text(encoding="utf-8")
    assert len(text) < 15e6
    outside = re.findall(r"""(?:src|href)\s*=\s*["'](?!data:|#)([^"']+)""", re.sub(r"<script.*?</script>", "", text, flags=re.S))
    assert outside == []
    assert not re.search(r"url\((?!['\"]?data:)", text)
    for step in ("crop_to_coverage", "remove_gradient", "separate_stars", "stretch", "saturate"):
        assert f"{step}</h2>" in text


def test_names_headers_and_notes_are_escaped(page):
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "<img src=x>" not in text
    assert "<b>with markup" not in text
    assert "&lt;script&gt;alert" in text


def test_close_ups_are_lossless(page):
    pictures = json.loads(re.search(r'id="pictures">(.*?)</script>', page.read_text(encoding="utf-8"), re.S)[1])
    kinds = {url.split(";")[0] for url in pictures.values()}
    assert kinds == {"data:image/png", "data:image/jpeg"}


def test_a_failed_run_has_a_page_that_says_so(night, stack, tmp_path):
    (tmp_path / "r.yaml").write_text(
        (night / "r.yaml")
        .read_text()
        .replace("  - stretch_asinh", "  - crop: {box: [[10%, 10%], [10.1%, 10.1%]]}\n  - stretch_asinh")
    )
    assert call(["run", str(tmp_path / "r.yaml"), str(stack), "-o", str(tmp_path / "out"), "--no-cache"]) == 1
    text = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "This run failed." in text
    assert "separate_stars</h2>" in text
    assert not (tmp_path / "out" / "picture.tif").exists()


def test_compare_tells_what_differs(night, stack, page, tmp_path, capsys):
    args = [
        "run",
        str(night / "r.yaml"),
        str(stack),
        "--input",
        f"coverage={night / 'coverage.fits'}",
        "--no-cache",
        "--no-report",
    ]
    assert call([*args, "-o", str(tmp_path / "two"), "--set", "saturate.gain=1.8"]) == 0
    capsys.readouterr()
    assert call(["compare", str(page.parent), str(tmp_path / "two"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["recipe"] == [["saturate", "gain", "1.3", "1.8"]]
    assert told["picture"]["largest_difference"] > 0
    assert call(["compare", str(page.parent), str(tmp_path / "two"), "-o", str(tmp_path / "c.html")]) == 0
    assert "What differs in the recipe" in (tmp_path / "c.html").read_text(encoding="utf-8")


def test_the_divider_follows_mouse_and_keys(page, tab):
    tab.goto(page.as_uri())
    slider = tab.locator("section.step .pair input").first
    slider.scroll_into_view_if_needed()
    slider.focus()
    for _ in range(5):
        tab.keyboard.press("ArrowRight")
    assert slider.input_value() == "55"
    assert slider.evaluate("e => e.parentElement.style.getPropertyValue('--at')") == "55%"
    box = slider.bounding_box()
    tab.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.5)
    tab.mouse.down()
    tab.mouse.move(box["x"] + box["width"] * 0.2, box["y"] + box["height"] * 0.5, steps=5)
    tab.mouse.up()
    assert float(slider.input_value()) == pytest.approx(20, abs=3)  # 3: half the slider's own knob
    assert tab.evaluate("[...document.images].filter(i => !i.complete || !i.naturalWidth).length") == 0


def test_the_position_under_the_pointer_is_told(page, tab):
    tab.goto(page.as_uri())
    pair = tab.locator(".pair[data-grid]").first
    box = pair.bounding_box()
    grid = json.loads(pair.get_attribute("data-grid"))
    tab.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    told = tab.locator(".where").first.text_content()
    x, y = map(float, re.search(r"\[([\d.]+)%, ([\d.]+)%\]", told).groups())
    (x0, y0), (x1, _), (_, y1) = grid["percent"]
    assert (x, y) == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=0.3)  # a pixel of the page is 0.1-0.3 %
    assert "RA" in told


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 400])
def test_nothing_serious_for_those_who_cannot_see_well(page, tab, axe, scheme, width):
    tab.emulate_media(color_scheme=scheme)
    tab.set_viewport_size({"width": width, "height": 900})
    tab.goto(page.as_uri())
    tab.evaluate(axe)
    found = tab.evaluate("axe.run()")["violations"]
    assert [(v["id"], [n["html"][:200] for n in v["nodes"][:2]]) for v in found if v["impact"] in ("serious", "critical")] == []
    assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth + 1")


def test_a_comparison_opens(night, page, tab, tmp_path):
    assert call(["compare", str(page.parent), str(page.parent), "-o", str(tmp_path / "c.html")]) == 0
    tab.goto((tmp_path / "c.html").as_uri())
    assert tab.locator(".pair input").count() == 1


def test_the_watched_page_shows_faults_and_new_pictures(night, stack, tab, tmp_path):
    recipe = tmp_path / "r.yaml"
    recipe.write_text((night / "r.yaml").read_text())
    store = Store(tmp_path / "cache")
    watch = Watch(
        recipe,
        lambda checked: Job(checked, stack, tmp_path / "out", {"coverage": night / "coverage.fits"}, store=store),
        store,
        lambda text: None,
    )
    server = serve(watch)
    threads = [threading.Thread(target=t, daemon=True) for t in (watch.follow, server.serve_forever)]
    for t in threads:
        t.start()
    try:
        address = f"http://127.0.0.1:{server.server_address[1]}/{watch.token}/"
        tab.goto(address, wait_until="domcontentloaded")
        tab.locator("h2", has_text="5. saturate").wait_for(timeout=60_000)
        first = tab.locator(".print img").get_attribute("src")
        other = tmp_path / "new.yaml"
        other.write_text(recipe.read_text().replace("gain: 1.3", "gian: 1.3"))
        other.replace(recipe)  # as editors save: by renaming
        tab.locator("#fault", has_text="gian").wait_for(timeout=20_000)
        assert tab.locator(".print img").get_attribute("src") == first
        recipe.write_text(recipe.read_text().replace("gian: 1.3", "gain: 2.5"))
        tab.wait_for_function(
            "old => document.querySelector('.print img')?.src && document.querySelector('.print img').src !== old",
            arg=first,
            timeout=60_000,
        )
    finally:
        watch.stop.set()
        server.shutdown()
        server.server_close()


def test_the_server_answers_only_who_knows_the_token(tmp_path):
    from http.client import HTTPConnection

    watch = Watch(tmp_path / "none.yaml", lambda checked: pytest.fail("nothing to run"), Store(tmp_path), lambda text: None)
    server = serve(watch)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        assert server.server_address[0] == "127.0.0.1"
        for path, host, status in (
            ("/", "127.0.0.1", 404),
            (f"/{watch.token}/", "127.0.0.1", 200),
            (f"/{watch.token}/", "evil.example", 403),
        ):
            connection = HTTPConnection(*server.server_address)
            connection.request("GET", path, headers={"Host": f"{host}:{server.server_address[1]}"})
            assert connection.getresponse().status == status, (path, host)
            connection.close()
        connection = HTTPConnection(*server.server_address)
        connection.request("POST", f"/{watch.token}/", body=b"x")
        assert connection.getresponse().status == 501
        connection.close()
    finally:
        watch.stop.set()
        server.shutdown()
        server.server_close()
        time.sleep(0.05)
