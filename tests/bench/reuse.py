"""What changing one value costs against a cold run: ``python -m tests.bench.reuse [MEGAPIXELS] [--in FOLDER] [--skip-plain]``.

Makes a stack, runs ``bicolour`` without and with kept layers, then changes one late value after the other, and goes back. Each
run is a process of its own, start and report included; beside its seconds stand those the processors worked for it, which
other work on the machine hardly touches, and the most memory it held.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

CHANGES = (
    ("saturation", "saturate.gain", "1.25"),
    ("contrast", "contrast.points", "[[0.12, 0.115], [0.5, 0.55], [0.85, 0.9]]"),
    ("star size", "star_size.size", "50%"),
    ("star brightness", "stretch_stars.lift", "6%"),
    ("denoising of [O III]", "denoise_oiii.strength", "1.7"),
)

MAKE = """
import sys
from pathlib import Path
from nebulakit import files
from nebulakit.demo import make_scene
from nebulakit.image import Image
height, width, folder = int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3])
scene = make_scene(7, (height, width), "cove")
files.write(Image.from_array(scene.stack, header=scene.header()), folder / "stack.fits")
files.write(Image.from_array(scene.coverage, channels=("grey",)), folder / "coverage.fits")
"""


class Cost(NamedTuple):
    """What a run took."""

    seconds: float
    worked: float  # seconds of all processors
    memory_mb: float
    steps: list[tuple[str, str, float]]  # id, state, seconds
    hashes: dict[str, str]


def run(folder: Path, out: Path, *more: str) -> Cost:
    """Run the recipe in a process of its own."""
    stack = [str(folder / "stack.fits"), "--input", f"coverage={folder / 'coverage.fits'}"]
    args = [sys.executable, "-m", "nebulakit", "run", "bicolour", *stack, "-o", str(out), *more]
    start = time.perf_counter()
    process = subprocess.Popen(args, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    if status:
        raise SystemExit(f"the run ended with {os.waitstatus_to_exitcode(status)}: {' '.join(args)}")
    record = json.loads((out / "run.json").read_text())
    steps = [(s["id"], s["state"], s["seconds"]) for s in record["steps"]]
    hashes = {o["file"]: o["sha256"] for o in record["outputs"]}
    # a run measures step by step, for which it resets what the system has seen as its most
    memory = max(used.ru_maxrss / 1024, record["peak_memory_mb"] or 0)
    return Cost(seconds, used.ru_utime + used.ru_stime, memory, steps, hashes)


def row(name: str, cost: Cost, cold: Cost) -> None:
    """Print one line, and what was run."""
    ran = [(id, t) for id, state, t in cost.steps if state == "computed"]
    print(
        f"{name:<22} {cost.seconds:8.1f} {cost.worked:8.1f} {cost.memory_mb / 1024:8.2f} {100 * cost.worked / cold.worked:7.1f} %"
        f"   {len(cost.steps) - len(ran):2d} of {len(cost.steps)} reused",
        flush=True,
    )
    if len(ran) < len(cost.steps):
        print("    ran: " + (", ".join(f"{id} {t:.2f}" for id, t in ran) or "nothing"), flush=True)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("megapixels", type=float, nargs="?", default=2.0)
    parser.add_argument("--in", dest="folder", type=Path, help="a folder with stack.fits and coverage.fits; made there if absent")
    parser.add_argument("--skip-plain", action="store_true", help="leave out the cold run without kept layers")
    given = parser.parse_args()
    height = round((given.megapixels * 1e6 / 1.5) ** 0.5)
    with tempfile.TemporaryDirectory(prefix="nebulakit-reuse-") as name:
        folder = given.folder or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        if not (folder / "stack.fits").is_file():
            subprocess.run([sys.executable, "-c", MAKE, str(height), str(round(1.5 * height)), str(folder)], check=True)
        out, cache = Path(name) / "out", Path(name) / "kept"
        kept = ("--cache", str(cache))
        print(f"{'':<22} {'seconds':>8} {'worked':>8} {'GB':>8} {'of cold':>9}")
        plain = None if given.skip_plain else run(folder, Path(name) / "plain", "--no-cache")
        cold = run(folder, out, *kept)
        if plain is not None:
            row("cold, nothing kept", plain, cold)
        row("cold, layers kept", cold, cold)
        print("    steps: " + ", ".join(f"{id} {t:.2f}" for id, _, t in cold.steps))
        if plain is not None:
            print(f"    keeping layers costs {100 * (cold.worked / plain.worked - 1):+.1f} % of the work")
            assert plain.hashes == cold.hashes
        size = sum(f.stat().st_size for f in cache.rglob("*") if f.is_file())
        print(f"    kept: {size / 1e9:.2f} GB")
        row("nothing changed", run(folder, out, *kept), cold)
        for what, key, value in CHANGES:
            row(what, run(folder, out, *kept, "--set", f"{key}={value}"), cold)
        back = run(folder, out, *kept)
        row("back to the first", back, cold)
        assert back.hashes == cold.hashes
    return 0


if __name__ == "__main__":
    sys.exit(main())
