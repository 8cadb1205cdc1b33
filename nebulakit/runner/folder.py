"""The folder of a run: what is in it already, and how new files come into it whole or not at all."""

from __future__ import annotations

import errno
import json
import math
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from nebulakit.errors import InputError, ResourceError, UsageError
from nebulakit.files.options import LONGEST_NAME
from nebulakit.files.whole import whole
from nebulakit.runner.keys import file_hash

RECORD = "run.json"
HIDDEN = ".unfinished-"
PAGE = "report.html"
FAILED = "failed.html"
"""The page of a run that failed where an earlier one had gone well, whose page stays."""


def _within(low: float, high: float) -> Callable[[Any], bool]:
    """Give a check: nothing, or a number within bounds, which NaN is not."""
    return lambda found: found is None or (isinstance(found, (int, float)) and low <= found <= high)


def _is_name(found: Any) -> bool:
    """Say whether a value can be the name of a file, with folders before it or not."""
    try:
        parts = os.fsencode(found).split(b"/")
    except (TypeError, UnicodeError):
        return False
    return all(len(p) <= LONGEST_NAME and b"\0" not in p for p in parts)


_FILE = {"file": _is_name, "sha256": ""}
_HOLDS = {
    "nebulakit": "",
    "recipe": {"file": _is_name, "text": "", "settings": {}, "resolved": {"steps": [{"id": "", "params": {}}]}},
    "inputs": {"stack": _FILE, "*": _FILE},
    "ways": {"*": _is_name},
    "options": {
        "until": lambda found: found is None or isinstance(found, str),
        "preview": lambda found: type(found) is int and 1 <= found <= 16,
        "assume": lambda found: found in (None, "linear", "display"),
        "fwhm": _within(0.5, 50),
        "keep_site": False,
    },
    "steps": [{"id": "", "step": "", "measured": {"fwhm?": _within(0, 1e4)}}],
    "warnings": [{"id": ""}],
    "outputs": [{**_FILE, "scale": "", "channels": [""], "notices": [("", "")]}],
    "texts": [_FILE],
    "corners": ((0.0, 0.0),) * 4,
}
"""What is read again of a ``run.json``: ``*`` stands for any key, ``KEY?`` for one that may be missing, a tuple for a list of that length."""
PAGE_MARK = '<meta name="generator" content="nebulakit">'
"""What a page says near its beginning."""


def read_record(folder: Path) -> dict[str, Any] | None:
    """Give the ``run.json`` of a folder, or None where there is none of ours that can be read."""
    try:
        return read_run(folder)
    except InputError:
        return None


def read_run(path: Path) -> dict[str, Any]:
    """Read a ``run.json``, or the one in a folder; InputError says why it cannot be read, or that it is none of ours."""
    where = path / RECORD if os.path.isdir(path) else path
    try:
        found = json.loads(where.read_text(encoding="utf-8"))
    except OSError as fault:
        raise InputError(f"{where} cannot be read: {fault.strerror}. Give the folder of a run, or the {RECORD} in it") from None
    except ValueError:
        found = None
    if not _alike(found, _HOLDS):
        raise InputError(f"{where} is no {RECORD} of nebulakit, or is damaged. Give the folder of a run, or the {RECORD} in it")
    run: dict[str, Any] = found
    return run


def _alike(found: Any, example: Any) -> bool:
    """Say whether plain values have the keys and types of an example, or pass its check; a list holds any number like its first."""
    if callable(example):
        return bool(example(found))
    if isinstance(example, dict):
        return isinstance(found, dict) and all(
            all(_alike(f, e) for f in found.values())
            if k == "*"
            else _alike(found[name], e)
            if (name := k.removesuffix("?")) in found
            else name != k
            for k, e in example.items()
        )
    if isinstance(example, tuple):
        return isinstance(found, list) and len(found) == len(example) and all(map(_alike, found, example))
    if isinstance(example, list):
        return isinstance(found, list) and all(_alike(f, e) for f in found for e in example)
    return isinstance(found, type(example)) and (not isinstance(found, float) or math.isfinite(found))


def refuse_foreign(folder: Path, recipe: str, stack: str) -> None:
    """Refuse a folder that holds anything but an earlier run of the same recipe file and stack; UsageError says what it holds."""
    if not folder.is_dir() or all(
        p.name.startswith(HIDDEN) or (p.name in (PAGE, FAILED) and _is_page(p)) for p in folder.iterdir()
    ):
        return
    # a run that was killed while its files were put in place left its own in the folder they were in
    there = [folder, *sorted(folder.glob(f"{HIDDEN}*"))]
    earlier = next((record for where in there if (record := read_record(where)) is not None), None)
    if earlier is None:
        raise UsageError(
            f"the folder {folder} holds other files (no {RECORD} of an earlier run). Choose another with -o, or add --overwrite"
        )
    was = (earlier["recipe"]["file"], earlier["inputs"]["stack"]["file"])
    if was != (recipe, stack):
        raise UsageError(
            f"the folder {folder} holds a run of {was[0]} on {was[1]}, not of {recipe} on {stack}. Choose another with -o, or add --overwrite"
        )


def refuse_others(folder: Path, names: Sequence[str], page: str) -> None:
    """Refuse a folder where one of ``names`` is there, but not of ours, as ``page`` among them tells; UsageError says which."""
    there = [name for name in names if (folder / name).exists()]
    if there and not _is_page(folder / page):
        raise UsageError(
            f"{folder / there[0]} is there already, and no {page} of nebulakit beside it. Choose another folder with -o"
        )


def write_page(path: Path, text: str) -> None:
    """Write a page whole, in place of an earlier one but of no other file; UsageError says why it cannot be."""
    if os.path.exists(path) and not _is_page(path):
        raise UsageError(f"{path} is there and is no page of nebulakit. Choose another name with -o")
    write_whole(path, text)


def write_whole(path: Path, text: str) -> None:
    """Write a text whole, in place of what was there; UsageError says why it cannot be."""
    try:
        with whole(path, HIDDEN) as to:
            to.write(text.encode())
    except OSError as fault:
        raise UsageError(f"cannot write {path}: {fault.strerror}. Choose another place with -o") from None


def _is_page(path: Path) -> bool:
    """Say whether a file is a page."""
    if not os.path.isfile(path):
        return False
    with open(path, "rb") as f:
        return PAGE_MARK.encode() in f.read(2000)


def refuse_unwritable(folder: Path) -> None:
    """Refuse, before any work is done, a folder that cannot be made or written into; UsageError says why. Nothing is left behind."""
    # a link that leads nowhere is there, too: no folder can be made in its place
    above = next(p for p in (folder, *folder.absolute().parents) if os.path.lexists(p))
    try:
        with suppress(FileNotFoundError):
            folder.stat()  # a name may be too long for any file
        Path(tempfile.mkdtemp(prefix=HIDDEN, dir=above)).rmdir()
    except OSError as fault:
        raise UsageError(f"cannot write into {folder}: {fault.strerror}. Choose another folder with -o") from None


def replaced(path: Path, read: Iterable[Path]) -> Path | None:
    """Give which of the files that are ``read`` a file at ``path`` would take the place of."""
    return next((p for p in read if os.path.exists(path) and os.path.exists(p) and os.path.samefile(path, p)), None)


def refuse_in_the_way(folder: Path, names: Iterable[str]) -> None:
    """Refuse a folder in which a folder stands where one of the files ``names`` is to be, or a file where its folder is."""
    for path in (folder / name for name in names):
        above = [p for p in path.parents if folder in p.parents]
        wrong = path if os.path.isdir(path) else next((p for p in above if os.path.lexists(p) and not os.path.isdir(p)), None)
        if wrong is not None:
            there, wanted = ("folder", "file") if wrong is path else ("file", "folder")
            raise UsageError(
                f"{wrong} is a {there}, and a {wanted} of that name is to be written. Move it away, or choose another with -o"
            )


def refuse_replaced(folder: Path, names: Iterable[str], read: Sequence[Path]) -> None:
    """Refuse to write ``names`` into a folder where one of them is a file that is ``read``: a stack cannot be made again."""
    for name in names:
        source = replaced(folder / name, read)
        if source is not None:
            raise UsageError(f"{name} would replace {source}, which is read here. Choose another folder with -o")


@contextmanager
def staged(folder: Path) -> Iterator[Path]:
    """Give a hidden folder on the disk of ``folder``, gone afterwards together with what was not published."""
    try:
        made = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=HIDDEN, dir=folder))
    except OSError as fault:
        raise UsageError(f"cannot write into {folder}: {fault.strerror}. Choose another folder with -o") from None
    try:
        yield staging
    except (OSError, ResourceError) as fault:  # files tell of the hidden folder
        cause = fault if isinstance(fault, OSError) else fault.__cause__
        if isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", None)):
            raise ResourceError(f"the disk of {folder} is full; nothing was changed there. Make room and run again") from None
        # what is written meanwhile may make the hidden folder anew
        gone = isinstance(cause, FileNotFoundError) and str(cause.filename).startswith(str(staging))
        if isinstance(cause, OSError) and (gone or not os.path.isdir(staging)):
            raise ResourceError(
                f"{folder} was moved or removed while it was written into. Run again, or choose another folder with -o"
            ) from None
        raise
    finally:
        shutil.rmtree(staging, ignore_errors=True)
        with suppress(OSError):  # another run may begin or end in the folder meanwhile
            for left in folder.glob(f"{HIDDEN}*"):  # of runs that were killed; another may be at work in a young one
                if time.time() - left.stat().st_mtime > 3600:
                    shutil.rmtree(left, ignore_errors=True)
            if made and not any(folder.iterdir()):
                folder.rmdir()


@contextmanager
def publish_folder(folder: Path, names: Sequence[str]) -> Iterator[Path]:
    """Give a hidden folder to write ``names`` into; they are renamed into ``folder`` when all of them are whole."""
    with staged(folder) as staging:
        yield staging
        for name in names:
            os.replace(staging / name, folder / name)


def publish(staging: Path, folder: Path, names: Iterable[Path]) -> None:
    """Rename finished files into place, and remove what an earlier run wrote there that this one does not, its page included."""
    earlier = read_record(folder) or {"outputs": [], "texts": []}
    names = list(names)
    for name in names:
        if not (staging / name).exists():  # stands already, as it would be written
            continue
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(staging / name, folder / name)
    now = [folder / name for name in names]
    for old in [*earlier["outputs"], *earlier["texts"]]:
        path = folder / old["file"]
        if (
            folder.resolve() in path.resolve().parents
            and path.is_file()
            and file_hash(path) == old["sha256"]
            and replaced(path, now) is None  # whichever way it is written: ./a.tif, or in capitals where that is the same file
        ):
            path.unlink()
    for page in (folder / PAGE, folder / FAILED):  # so that a page tells of the run.json beside it
        if page not in now and page.is_file() and _is_page(page):
            page.unlink()
