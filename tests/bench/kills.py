"""Kill runs at random moments, and see that each comes to the same end when it is run again.

Run by hand: ``python -m tests.bench.kills``. Every other run begins with an empty folder and no kept layers; the rest go on
with the folder and the layers of the run before and other values, so that a run is also killed while it replaces files.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from nebulakit.demo import make_scene, write_scene
from nebulakit.runner.keys import file_hash

VALUES = ("1.0", "1.3")  # of denoise_oiii.strength, in turn


def command(folder: Path, out: Path, value: str, *cache: str) -> list[str]:
    """Give the command line of one run."""
    stack = [str(folder / "stack.fits"), "--input", f"coverage={folder / 'coverage.fits'}"]
    chosen = ["--set", f"denoise_oiii.strength={value}"]
    return [sys.executable, "-m", "nebulakit", "run", "bicolour", *stack, *chosen, "-o", str(out), *cache]


def finish(args: list[str]) -> float:
    """Run to the end; give the seconds."""
    start = time.perf_counter()
    subprocess.run(args, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    return time.perf_counter() - start


def killed(args: list[str], after: float) -> bool:
    """Begin a run and kill it after some seconds; say whether it still ran."""
    process = subprocess.Popen(args, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(after)
    ran = process.poll() is None
    if ran:
        os.kill(process.pid, signal.SIGKILL)
    process.wait()
    return ran


def hashes(out: Path) -> dict[str, str]:
    """Give the hashes of the files a finished run says it wrote, as they are on disk."""
    return {o["file"]: file_hash(out / o["file"]) for o in json.loads((out / "run.json").read_text())["outputs"]}


def main() -> int:
    """Kill, run again, compare; 1 where any end differs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, nargs=2, default=(300, 400), metavar=("HEIGHT", "WIDTH"))
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    failures = 0
    with tempfile.TemporaryDirectory(prefix="nebulakit-kills-") as name:
        folder = Path(name)
        write_scene(make_scene(5, tuple(given.size), "bubble"), folder)
        expected = {}
        for value in VALUES:
            finish(command(folder, folder / f"whole-{value}", value, "--no-cache"))
            expected[value] = hashes(folder / f"whole-{value}")
        out, kept, was = folder / "out", folder / "kept", folder / "was"
        # the seconds a run takes, over nothing and over other values; shortened where a run ends before it is killed
        lasts = [finish(command(folder, out, value, "--cache", str(kept))) for value in VALUES]
        print(f"an undisturbed run takes {lasts[0]:.1f} s, one over other values {lasts[1]:.1f} s")
        for n in range(given.times):
            warm = n % 2
            value = VALUES[warm]
            args = command(folder, out, value, "--cache", str(kept))
            while True:
                for path in (out, kept):
                    shutil.rmtree(path, ignore_errors=True)
                    if warm:
                        shutil.copytree(was / path.name, path)
                after = float(rng.uniform(0.0, lasts[warm]))
                if killed(args, after):
                    break
                lasts[warm] = max(0.5, 0.8 * lasts[warm])
            there = len(list((kept / "layers").glob("*.json")))
            left = sum(f.name.startswith(".") for path in (out, kept) for f in path.rglob("*"))
            seconds = finish(args)
            same = hashes(out) == expected[value]
            damaged = [w["text"] for w in json.loads((out / "run.json").read_text())["warnings"] if w["from"] == "store"]
            failures += not same
            print(
                f"{n + 1:2d}  over {('nothing', 'other values')[warm]:<12}  killed after {after:5.2f} s, {there:2d} layers kept, "
                f"{left} unfinished files; run again in {seconds:5.2f} s: {'same' if same else 'OTHER'} hashes"
                + (f"  {damaged[0]}" if damaged else ""),
                flush=True,
            )
            if not warm:  # the next run goes on from here
                shutil.rmtree(was, ignore_errors=True)
                for path in (out, kept):
                    shutil.copytree(path, was / path.name)
    print(f"{given.times - failures} of {given.times} ended with the hashes of an undisturbed run")
    return int(failures > 0)


if __name__ == "__main__":
    sys.exit(main())
