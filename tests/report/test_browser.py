"""Pages in a real browser: dividers, positions, sheets, a recipe that is edited; nothing leaves the machine and nothing errs."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from http.client import HTTPConnection

import pytest

from nebulakit.cli import call
from nebulakit.report.watch import Watch, serve
from nebulakit.runner.job import Job
from nebulakit.runner.store import Store


def at(pair) -> str:
    return pair.evaluate("e => e.style.getPropertyValue('--at')")


def drag(tab, pair, start: float, end: float) -> None:
    pair.scroll_into_view_if_needed()
    box = pair.bounding_box()
    y = box["y"] + box["height"] * 0.5
    tab.mouse.move(box["x"] + box["width"] * start, y)
    tab.mouse.down()
    tab.mouse.move(box["x"] + box["width"] * end, y, steps=5)
    tab.mouse.up()


def test_the_divider_follows_mouse_and_keys_and_the_close_ups_follow_it(page, tab):
    tab.goto(page.as_uri())
    step = tab.locator("section:has(.pair input)").first
    whole, close = step.locator(".pair").first, step.locator(".close .pair").first
    slider = whole.locator("input")
    slider.focus()
    for _ in range(5):
        tab.keyboard.press("ArrowRight")
    assert slider.input_value() == "55"
    assert at(whole) == at(close) == "55%"
    drag(tab, whole, 0.5, 0.2)
    assert float(at(whole).rstrip("%")) == pytest.approx(20, abs=0.5)  # a pixel of the page is 0.2 %
    assert at(close) == at(whole)
    drag(tab, close, 0.2, 0.9)
    assert float(at(whole).rstrip("%")) == pytest.approx(90, abs=1)
    tab.keyboard.press("Home")
    assert tab.evaluate("[...document.images].filter(i => !i.complete || !i.naturalWidth).length") == 0


def test_the_position_under_the_pointer_is_told_and_copied(page, tab):
    tab.context.grant_permissions(["clipboard-read", "clipboard-write"])
    tab.goto(page.as_uri())
    pair = tab.locator(".pair[data-grid]").first
    box, line = pair.bounding_box(), tab.locator(".where").first
    grid = json.loads(pair.get_attribute("data-grid"))
    tab.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    told = line.text_content()
    x, y = map(float, re.search(r"\[([\d.]+)%, ([\d.]+)%\]", told).groups())
    (x0, y0), (x1, _), (_, y1) = grid["percent"]
    assert (x, y) == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=0.3)  # a pixel of the page is 0.1-0.3 %
    ra, dec = (float(v.replace("−", "-")) for v in re.search(r"RA ([\d.]+)°, Dec ([−\d.]+)°", told).groups())
    n = grid["sky"]["n"]
    middle = (n * n) // 2
    assert (ra, dec) == pytest.approx((grid["sky"]["ra"][middle] % 360, grid["sky"]["dec"][middle]), abs=0.02)
    tab.mouse.down()
    tab.mouse.up()
    line.filter(has_text="at: [").wait_for()
    assert "at: " + re.search(r"\[.*?\]", told)[0] in line.text_content()


def test_the_report_is_usable_by_all(page, tab, nothing_serious):
    tab.goto(page.as_uri())
    nothing_serious()


def test_the_report_can_be_printed(page, tab):
    tab.goto(page.as_uri())
    tab.emulate_media(media="print")
    before, after = (tab.locator("section .pair:has(.after) img").nth(n).bounding_box() for n in (0, 1))
    assert before["x"] + before["width"] <= after["x"]  # side by side: a divider cannot be moved on paper
    assert not tab.locator("nav").is_visible()
    tab.set_viewport_size({"width": 720, "height": 1000})  # a sheet of paper
    assert tab.locator("table.numbers").first.bounding_box()["width"] > 400
    assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth + 1")


def test_hostile_names_do_nothing(page, tab):
    tab.goto(page.as_uri())
    assert tab.locator("img[src=x]").count() == 0
    assert "<img src=x>" in tab.locator("h1").text_content()


def test_a_comparison(page, tab, tmp_path, nothing_serious):
    assert call(["compare", str(page.parent), str(page.parent), "-o", str(tmp_path / "c.html")]) == 0
    tab.goto((tmp_path / "c.html").as_uri())
    whole = tab.locator(".print .pair")
    drag(tab, whole, 0.5, 0.3)
    assert float(at(whole).rstrip("%")) == pytest.approx(30, abs=0.5)
    assert tab.locator(".beside img").count() == 2
    nothing_serious()


def test_two_of_a_sweep_lie_under_one_divider_and_its_table_sorts(sweep_page, tab, nothing_serious):
    tab.goto(sweep_page.as_uri())
    buttons = tab.locator("button.choose")
    buttons.nth(0).click()
    assert tab.locator("#chosen .pair").count() == 0
    buttons.nth(2).click()
    whole = tab.locator("#chosen .pair").first
    assert whole.locator(".tag").all_text_contents() == ["No. 1", "No. 3"]
    assert tab.locator("#chosen .pair").count() > 1  # close-ups too
    drag(tab, whole, 0.5, 0.25)
    assert float(at(whole).rstrip("%")) == pytest.approx(25, abs=0.5)
    buttons.nth(1).click()  # the two chosen last
    assert tab.locator("#chosen .tag").all_text_contents()[:2] == ["No. 3", "No. 2"]
    assert [b.get_attribute("aria-pressed") for b in buttons.all()] == ["false", "true", "true"]

    def column(n: int) -> list[float]:
        return [float(v) for v in tab.locator(f"table.sortable tbody td:nth-child({n})").all_text_contents()]

    gain = tab.locator("table.sortable th button", has_text="saturate.gain")
    gain.click()
    assert column(2) == [0.5, 1, 2]
    gain.click()
    assert column(2) == [2, 1, 0.5]
    assert gain.locator("..").get_attribute("aria-sort") == "descending"
    nothing_serious()


@pytest.fixture
def watched(night, stack, tmp_path):
    """A watch of a copy of the recipe, served; gives the recipe's path and the page's address."""
    recipe = tmp_path / "r.yaml"
    recipe.write_text((night / "r.yaml").read_text())
    store = Store(tmp_path / "cache")
    files = {"coverage": night / "coverage.fits"}
    watch = Watch(recipe, lambda checked: Job(checked, stack, tmp_path / "out", files, store=store), store, lambda text: None)
    server = serve(watch)
    threads = [threading.Thread(target=t, daemon=True) for t in (watch.follow, server.serve_forever)]
    for t in threads:
        t.start()
    yield recipe, f"http://127.0.0.1:{server.server_address[1]}/{watch.token}/"
    watch.stop.set()
    server.shutdown()
    server.server_close()
    threads[0].join(20)
    assert not threads[0].is_alive()


def test_the_watched_page_shows_faults_and_new_pictures(watched, tab, nothing_serious):
    recipe, address = watched
    tab.goto(address, wait_until="domcontentloaded")
    tab.locator("h2", has_text="curve").wait_for(timeout=60_000)
    tab.locator("#state", has_text="up to date").wait_for(timeout=60_000)
    first = tab.locator(".print img").get_attribute("src")
    slider = tab.locator("section:has(h2:text-is('stretch')) .pair input").first
    slider.focus()
    tab.keyboard.press("Home")
    other = recipe.with_name("new.yaml")
    other.write_text(recipe.read_text().replace("gain: 1.3", "gian: 1.3"))
    other.replace(recipe)  # as editors save: by renaming
    fault = tab.locator("#fault", has_text="gian")
    fault.wait_for(timeout=20_000)
    told = fault.text_content()
    line = next(n for n, text in enumerate(recipe.read_text().splitlines(), 1) if "gian" in text)
    assert f"r.yaml:{line}:" in told
    assert re.search(r"\n +\^", told), "no caret under the fault"
    assert tab.locator(".print img").get_attribute("src") == first
    nothing_serious()
    recipe.write_text(recipe.read_text().replace("gian: 1.3", "gain: 2.5"))
    tab.wait_for_function("old => document.querySelector('.print img').getAttribute('src') !== old", arg=first, timeout=60_000)
    assert tab.locator("#fault").is_hidden()
    assert slider.input_value() == "0"  # dividers stay where they were
    tab.locator("#state", has_text="up to date").wait_for(timeout=60_000)


def test_a_quick_look_reads_a_stack_again_that_was_replaced(night, tmp_path, monkeypatch):
    from nebulakit.demo import make_scene, write_scene
    from nebulakit.report import watch as module

    monkeypatch.setattr(module, "QUICK", 20_000)  # so that this small stack is binned for a quick look
    recipe = tmp_path / "r.yaml"
    recipe.write_text("version: 1\nsteps:\n  - stretch_asinh: {}\noutputs:\n  - {layer: last, file: a.tif}\n")
    said: list[str] = []
    stack, _ = write_scene(make_scene(1, (120, 180), "fans"), tmp_path)
    store = Store(tmp_path / "cache")
    watch = Watch(recipe, lambda checked: Job(checked, stack, tmp_path / "out", store=store), store, said.append)
    shown = []
    monkeypatch.setattr(
        watch, "_tell", lambda state, fault="", make=None, pictures=None: pictures and shown.append(set(pictures))
    )
    for seed in (1, 2, 1):
        write_scene(make_scene(seed, (120, 180), "fans"), tmp_path)
        watch._saved(watch._hash())
    first, _, second, _, third, _ = shown  # each time the quick look, then the whole
    assert first == third
    assert not first & second
    assert sum("preview" in text for text in said) == 3


@pytest.mark.parametrize("fault", [OSError(5, "Input/output error"), ZeroDivisionError("Input/output error")])
def test_what_fails_does_not_end_the_watching(night, stack, tmp_path, monkeypatch, fault):
    """A fault of ours did."""
    from nebulakit.report import watch as module

    def refuse(*_: object, **__: object) -> None:
        raise fault

    recipe, store, said = night / "r.yaml", Store(tmp_path / "cache"), list[str]()
    watch = Watch(recipe, lambda checked: Job(checked, stack, tmp_path / "out", store=store), store, said.append)
    monkeypatch.setattr(module, "run_job", refuse)
    watch._saved(watch._hash())
    assert "Input/output error" in said[-1]
    assert "Input/output error" in watch.told({}, 0)["fault"]
    ours = isinstance(fault, ZeroDivisionError)
    assert ("fault of nebulakit" in said[-1], any("Traceback" in text for text in said)) == (ours, ours)


def test_the_server_answers_only_who_knows_the_token_and_takes_no_orders(tmp_path):
    watch = Watch(tmp_path / "none.yaml", lambda checked: pytest.fail("nothing to run"), Store(tmp_path), lambda text: None)
    server = serve(watch)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        assert server.server_address[0] == "127.0.0.1"
        for path, host, status in (
            ("/", "127.0.0.1", 404),
            (f"/{watch.token}/", "127.0.0.1", 200),
            (f"/{watch.token}/../r.yaml", "127.0.0.1", 404),
            (f"/{watch.token}/", "evil.example", 403),
        ):
            connection = HTTPConnection(*server.server_address)
            connection.request("GET", path, headers={"Host": f"{host}:{server.server_address[1]}"})
            assert connection.getresponse().status == status, (path, host)
            connection.close()
        for method in ("POST", "PUT", "DELETE"):
            connection = HTTPConnection(*server.server_address)
            connection.request(method, f"/{watch.token}/", body=b"x")
            assert connection.getresponse().status == 501
            connection.close()
    finally:
        watch.stop.set()
        server.shutdown()
        server.server_close()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT cannot be sent to another process on Windows")
def test_ctrl_c_ends_the_watch_cleanly(night, stack, tmp_path):
    args = ["watch", str(night / "r.yaml"), str(stack), "--no-open", "--no-cache", "-o", str(tmp_path / "out")]
    running = subprocess.Popen(
        [sys.executable, "-m", "nebulakit", *args],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", "TMPDIR": str(tmp_path)},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background jobs inherit it ignored
    )
    try:
        address = running.stdout.readline()
        assert address.startswith("http://127.0.0.1:")
        time.sleep(0.5)  # into the first run
        running.send_signal(signal.SIGINT)
        _, err = running.communicate(timeout=60)
    finally:
        running.kill()
    assert running.returncode == 0
    assert "Traceback" not in err
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith("nebulakit-")] == []
    assert list(tmp_path.glob("out/*")) + list(tmp_path.glob("out/.*")) == []  # whole or not at all
