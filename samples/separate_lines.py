"""Separate the lines of every stack in a folder:  python separate_lines.py FOLDER OUT."""

import sys
from pathlib import Path

import nebulakit

folder, out = map(Path, sys.argv[1:3])
for file in sorted(folder.glob("*.fits*")):
    lines = nebulakit.run("lines", nebulakit.read(file))
    for name in ("ha", "oiii"):
        (out / file.name.split(".")[0]).mkdir(parents=True, exist_ok=True)
        nebulakit.write(lines[name], out / file.name.split(".")[0] / f"{name}.fits")
    print(file.name, *(f"{s.call.id}: {s.record}" for s in lines.steps if s.call.step == "unmix_lines"))
