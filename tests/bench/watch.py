"""How long after a save the watched page shows a new preview: ``python -m tests.bench.watch [MEGAPIXELS]``.

Follows the whole ``bicolour`` recipe on an invented stack, then changes one value of a late step and times until the
page holds the picture of it, several times. The first run, which fills the store of layers, does not count.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

from nebulakit.demo import make_scene, write_scene
from nebulakit.recipe import load
from nebulakit.report.watch import Watch
from nebulakit.runner.job import Job
from nebulakit.runner.store import Store

LATE = "curve: {points: [[0.12, 0.115], [0.5, 0.53], [0.85, 0.88]]}"
ROUNDS = 5


def main(megapixels: float = 2.0) -> None:
    """Print seconds from save to preview, and to the full picture."""
    height = round((megapixels * 1e6 / 1.5) ** 0.5)
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        stack, coverage = write_scene(make_scene(7, (height, round(1.5 * height)), "cove"), here)
        recipe, store = here / "mine.yaml", Store(here / "layers")
        text = load("bicolour").text
        assert LATE in text
        recipe.write_text(text)
        shown: list[tuple[float, bool]] = []
        watch = Watch(
            recipe, lambda r: Job(r, stack, here / "out", {"coverage": coverage}, store=store), store, lambda said: shown.append(
                (time.perf_counter(), said.startswith("preview"))) or print("   ", said, flush=True)
        )  # fmt: skip
        follower = threading.Thread(target=watch.follow, daemon=True)
        follower.start()
        begin = time.perf_counter()
        wait(shown, 2)
        print(f"{megapixels:g} megapixels, first run: {shown[-1][0] - begin:.1f} s")
        quick, whole = [], []
        for n in range(ROUNDS):
            shown.clear()
            start = time.perf_counter()
            recipe.write_text(text.replace(LATE, LATE.replace("0.53", f"0.{54 + n}")))
            wait(shown, 2)
            quick.append(shown[0][0] - start)
            whole.append(shown[1][0] - start)
        watch.stop.set()
        follower.join()
    print(f"save to preview: median {statistics.median(quick):.2f} s, worst {max(quick):.2f} s")
    print(f"save to full picture: median {statistics.median(whole):.2f} s, worst {max(whole):.2f} s")


def wait(shown: list[tuple[float, bool]], count: int) -> None:
    """Wait until ``count`` pages were shown."""
    while len(shown) < count:
        time.sleep(0.005)


if __name__ == "__main__":
    main(*map(float, sys.argv[1:]))
