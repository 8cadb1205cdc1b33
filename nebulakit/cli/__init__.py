"""The command line: one file a verb, no logic.

Exit codes are those of :mod:`nebulakit.errors`, 5 for some of a batch, 130 interrupted, 128 + n ended by signal n.
"""

from __future__ import annotations

import codecs
import contextlib
import errno
import gc
import io
import os
import signal
import stat
import sys
from types import FrameType
from typing import Any

# sums must come out the same whatever else runs; nebulakit threads over planes and blocks itself
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# none is used, and looking for them costs a third of the time that checking a recipe takes
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")

import click  # noqa: E402

from nebulakit import __version__  # noqa: E402

_TRIM_THRESHOLD, _MMAP_MAX, _ARENA_MAX = -1, -4, -8  # of the C library's mallopt
VERBS = (
    "run", "demo", "inspect", "check", "plan", "compare", "watch", "sweep", "rerun", "freeze", "show", "steps", "explain",
    "recipes", "new", "schema", "cache",
)  # fmt: skip


SURROUNDINGS = {
    getattr(errno, name, None)
    for name in ["EACCES", "EPERM", "ENAMETOOLONG", "EROFS", "ENOSPC", "EDQUOT", "EIO", "ELOOP", "ESTALE"]
} - {None}
"""What the system may refuse at any place, whatever the program does: rights, names, disks."""


class _Verbs(click.Group):
    """Loads a verb's file only when the verb is used, or asked about."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        from importlib import import_module

        command: click.Command = import_module(f"nebulakit.cli.{cmd_name}").command
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], VERBS, 1)
            ctx.fail(
                f"there is no command {args[0]!r}; " + (f"did you mean {near[0]!r}?" if near else f"commands: {', '.join(VERBS)}")
            )
        return super().resolve_command(ctx, args)


@click.command(cls=_Verbs, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="nebulakit", message="%(prog)s %(version)s")
def group() -> None:
    """Turn a linear stack of an emission nebula into a finished picture, by a recipe.

    Begin with:  nebulakit demo
    """


def main(args: list[str] | None = None) -> None:
    """Run the command line and exit."""
    # next to nothing is in cycles, and the runner looks for those after long steps; looking often costs a thirtieth of a run
    gc.set_threshold(50_000, 20, 50)
    _hold_pages()
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt)
    for number in _ENDING:
        if signal.getsignal(number) is signal.SIG_DFL:  # else it is to be outlived (nohup)
            signal.signal(number, _end)
    codecs.register_error("told", _told)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="told")
    if isinstance(sys.stderr, io.TextIOWrapper) and type(getattr(sys.stderr.buffer, "raw", sys.stderr.buffer)) is io.FileIO:
        raw = _Told(sys.stderr.fileno(), "w", closefd=False)
        sys.stderr = io.TextIOWrapper(io.BufferedWriter(raw), sys.stderr.encoding, "told", line_buffering=True)
    code = call(args)
    gc.freeze()  # all goes with the process: looking through it once more for cycles took 0.7 s
    sys.exit(code)


class _Told(io.FileIO):
    """The error stream: what cannot be shown there costs no more than that, be its disk full or its reader gone."""

    def write(self, text: Any) -> int:
        with contextlib.suppress(OSError):
            return super().write(text)
        return len(memoryview(text))


def _told(fault: UnicodeError) -> tuple[str | bytes, int]:
    """Give names of files as the bytes they are, and what the stream cannot hold by its number: nothing is lost for a sign."""
    try:
        return codecs.lookup_error("surrogateescape")(fault)
    except UnicodeError:
        return codecs.lookup_error("backslashreplace")(fault)


class Interrupted(KeyboardInterrupt):
    """Ctrl-C. Caught as plain KeyboardInterrupt, a process sometimes ended by the signal all the same; why is not known."""


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise Interrupted


class Ended(SystemExit):
    """The end by a signal; click raises a plain SystemExit where the reader of our output has gone."""


_ENDING = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


def _end(number: int, frame: FrameType | None) -> None:
    """End as Ctrl-C does, so that what is half done goes; shells send some signals twice, and the second would cut that short."""
    for each in _ENDING:
        signal.signal(each, signal.SIG_IGN)
    if number != signal.SIGTERM:  # the terminal has gone: writing to it would fail, and it no longer passes for one
        for stream in (1, 2):
            with contextlib.suppress(OSError):  # a stream that is closed
                if stat.S_ISCHR(os.fstat(stream).st_mode):
                    os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    raise Ended(128 + number)


def _hold_pages() -> None:
    """Let the allocator keep the pages of large arrays for the next ones, where it can be told to; the runner gives them back after a step.

    Else each array is mapped anew and cleared page by page: a third of the time that stars take at 26 megapixels. It has to be
    told before there is another thread, for then there are further heaps, in which large arrays are mapped all the same.
    """
    if sys.platform == "linux":
        import ctypes

        with contextlib.suppress(OSError, AttributeError):  # another C library
            tell = ctypes.CDLL("libc.so.6").mallopt
            for setting, value in ((_ARENA_MAX, 1), (_MMAP_MAX, 0), (_TRIM_THRESHOLD, 2**31 - 1)):
                tell(setting, value)


def call(args: list[str] | None = None) -> int:
    """Run the command line and give the exit code."""
    given = sys.argv[1:] if args is None else args
    try:
        code = group.main(args=args, prog_name="nebulakit", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.ClickException as fault:
        fault.show()
        named = [a for a in given if a[:1] == "-" and os.path.lexists(a)] if isinstance(fault, click.NoSuchOption) else []
        if named:
            click.echo(f"If the file is meant, write {os.path.join('.', named[0])}", err=True)
        return 2
    except (KeyboardInterrupt, click.Abort, Ended) as end:
        keeps = given[:1] in (["run"], ["demo"], ["sweep"], ["watch"]) and "--no-cache" not in given
        kept = ", and finished layers are kept" if keeps else ""
        click.echo(f"\ninterrupted; files of earlier runs are as they were{kept}.", err=True)
        return int(end.code or 0) if isinstance(end, Ended) else 130
    except (BrokenPipeError, SystemExit):  # the reader of our output has gone: nothing to say to anyone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as fault:
        told, code = words(fault)
        click.echo(told, err=True)
        return code


def words(fault: Exception) -> tuple[str, int]:
    """Give what is told of a fault, and the exit code: a sentence, or how to report a fault of ours."""
    from nebulakit.errors import NebulakitError

    if isinstance(fault, NebulakitError):
        placed = hasattr(fault, "faults")  # those of a recipe, each with its place
        return (str(fault) if placed else f"error: {fault}"), fault.exit_code
    if isinstance(fault, OSError) and fault.errno in SURROUNDINGS and fault.filename is not None:
        return f"error: {fault.filename}: {fault.strerror}", 6
    if isinstance(fault, OSError) and fault.errno in (errno.ENOSPC, errno.EIO):  # nameless, since what is written to was open
        return f"error: what is told here could not be written to where it was led: {fault.strerror}", 6
    import platform
    import traceback

    return (
        f"{''.join(traceback.format_exception(fault))}\n"
        "This is a fault of nebulakit, not of your recipe or your stack; your files are as they were.\n"
        "Please report it to the place you have nebulakit from, with the lines above, the recipe, and this line:\n"
        f"nebulakit {__version__}, Python {platform.python_version()}, {platform.system()} {platform.machine()}"
    ), 1
