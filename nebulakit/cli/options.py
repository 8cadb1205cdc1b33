"""What several verbs are given alike: the stack, further inputs, changes to the recipe, the folder of kept layers, threads."""

from __future__ import annotations

import contextlib
import math
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nebulakit.runner.store import Store


class StackFile(click.Path):
    """The path of a stack; what is meant for ``--input`` is told so before anything runs."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)  # reading it says what is wrong, of each stack of a batch by itself

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Give the path, or say how an input is given."""
        if not str(value):
            self.fail("the name of the stack is empty", param, ctx)
        name, equals, file = str(value).partition("=")
        if equals and name.isidentifier() and not os.path.exists(value) and (name == "coverage" or os.path.exists(file)):
            if name == "stack":
                self.fail(f"the stack is given without a name: write {file}", param, ctx)
            self.fail(f"{value} is no stack; a further input is given as  --input {value}", param, ctx)
        return super().convert(value, param, ctx)


class Number(click.FloatRange):
    """A number within bounds; what is no number, or no finite one, lies within none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Give the number, or say what is wrong with it."""
        number = float(super().convert(value, param, ctx))
        return number if math.isfinite(number) else self.fail(f"{value} is no number that can be worked with", param, ctx)


def pairs(given: Iterable[str], option: str, example: str) -> dict[str, str]:
    """Split ``NAME=VALUE`` options, later ones winning."""
    out = {}
    for text in given:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise click.UsageError(f"{option} {text!r} is not NAME=VALUE; for example {option} {example}")
        out[name.strip()] = value
    return out


def _files(ctx: click.Context, param: click.Parameter, given: tuple[str, ...]) -> dict[str, Path]:
    found = {name: Path(file) for name, file in pairs(given, "--input", "coverage=map.fits").items()}
    empty = [name for name, file in found.items() if file == Path()]
    if empty:
        raise click.UsageError(f"--input {empty[0]}= names no file")
    if "stack" in found:
        raise click.UsageError(
            f"the stack is no further input, and is given by itself: {found['stack']}, without  --input stack="
        )
    return found


def output(text: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Give the option of the folder for results, with what is told of it."""
    return click.option("-o", "--output", type=click.Path(path_type=Path), metavar="DIR", help=text)


inputs = click.option(
    "--input", "inputs", multiple=True, callback=_files, metavar="NAME=FILE",
    help="A further input, such as coverage=map.fits; {name} stands for the stack's file name without ending.",
)  # fmt: skip
settings = click.option(
    "--set", "settings", multiple=True, metavar="ID.PARAM=VALUE",
    callback=lambda ctx, param, given: pairs(given, "--set", "denoise.strength=1.2"),
    help="Change one parameter of one step, or a variable by vars.NAME=VALUE.",
)  # fmt: skip
preview = click.option(
    "--preview", type=click.IntRange(1, 16), default=1, metavar="N",
    help="Work on the stack binned N times: quick, for the composition only.",
)  # fmt: skip
assume = click.option(
    "--assume", type=click.Choice(["linear", "display"]), help="Take the stack as linear or as stretched, whatever the file says."
)
fwhm = click.option(
    "--fwhm", type=Number(0.5, 50), metavar="PX",
    help="The stars' width in pixels of the stack, which then is not measured: where there are no stars, or to hold it.",
)  # fmt: skip
cache = click.option(
    "--cache", type=click.Path(path_type=Path), metavar="DIR",
    help="The folder in which finished layers are kept, and nothing else (default: the system's cache folder).",
)  # fmt: skip
overwrite = click.option("--overwrite", is_flag=True, help="Write into a folder that holds other files.")
threads = click.option(
    "-j", "threads", type=click.IntRange(1, 256), metavar="N",
    help="Threads (default: all processors); the pixels are the same for any number.",
)  # fmt: skip


def inputs_of(stack: Path, given: Mapping[str, Path]) -> dict[str, Path]:
    """Give the further inputs of a stack: ``{name}`` stands for its file name."""
    from nebulakit.runner.job import stack_name

    return {name: Path(str(path).replace("{name}", stack_name(stack))) for name, path in given.items()}


def set_threads(count: int | None) -> None:
    """Let nebulakit and OpenCV use ``count`` threads, all processors by default."""
    import cv2

    from nebulakit.pixels.parallel import threads

    n = count or len(os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else range(os.cpu_count() or 1))
    threads.set(n)
    cv2.setNumThreads(n)


@contextlib.contextmanager
def store_meanwhile(folder: Path | None, no_cache: bool) -> Iterator[Store]:
    """Give the store in ``folder``, or with ``no_cache`` one that is gone afterwards."""
    from nebulakit.runner.store import Store

    refuse_both(folder, no_cache)
    with tempfile.TemporaryDirectory(prefix="nebulakit-") as temporary:
        yield Store(Path(temporary), lasting=False) if no_cache else open_store(folder)


def refuse_both(folder: Path | None, no_cache: bool) -> None:
    """Refuse ``--cache`` beside ``--no-cache``."""
    if folder is not None and no_cache:
        raise click.UsageError("--cache and --no-cache contradict each other")


def open_store(folder: Path | None) -> Store:
    """Give the store of finished layers in ``folder``, by default the system's cache folder; a folder of other things is refused.

    What is kept is counted and removed by the whole folder: among a user's own files little would be kept, and some might be lost.
    """
    from nebulakit.errors import UsageError
    from nebulakit.runner.store import KINDS, Store, default_folder, default_limit

    where = folder or default_folder()
    try:
        os.stat(where)
    except (FileNotFoundError, NotADirectoryError):
        pass  # it is made when something is kept; where it cannot be, the pictures are made all the same
    except OSError as fault:
        raise UsageError(
            f"finished layers cannot be kept in {where}: {fault.strerror}. Name another folder with --cache"
        ) from None
    there = os.listdir(where) if folder is not None and os.path.isdir(where) else []
    others = sorted(name for name in there if name not in KINDS and name[0] != ".")
    if others:
        raise UsageError(
            f"{where} holds other files ({others[0]}); finished layers need a folder of their own. Name one that is empty or not there yet, "
            f"such as  --cache {where / 'layers-kept'}"
        )
    return Store(where, default_limit(where))
