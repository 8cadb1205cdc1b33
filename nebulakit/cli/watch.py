"""``nebulakit watch``: the page that follows the recipe file."""

from __future__ import annotations

import contextlib
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nebulakit.cli import options
from nebulakit.cli.options import StackFile, inputs_of, set_threads, store_meanwhile

if TYPE_CHECKING:
    from nebulakit.recipe.model import Recipe


@click.command("watch", short_help="Follow a recipe file: run what changed on each save, and show it in the browser.")
@click.argument("recipe", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("stack", type=StackFile())
@options.inputs
@options.output("The folder for the results, as for run.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="The port on 127.0.0.1 (default: a free one).")
@click.option("--open/--no-open", "show", default=True, help="Open the page in the browser.")
@options.cache
@click.option("--no-cache", is_flag=True, help="Keep finished layers only as long as this watches.")
@options.threads
@options.overwrite
def command(
    recipe: Path,
    stack: Path,
    inputs: dict[str, Path],
    output: Path | None,
    port: int,
    show: bool,
    cache: Path | None,
    no_cache: bool,
    threads: int | None,
    overwrite: bool,
) -> int:
    """Follow RECIPE while you edit it: each save is checked, run on a quick preview and then in full.

    The page in the browser updates itself; a faulty recipe shows its error there while the last good picture stays. End it with Ctrl-C.
    """
    from nebulakit.errors import RecipeError, UsageError
    from nebulakit.recipe import load
    from nebulakit.recipe.loading import find
    from nebulakit.report.watch import Watch, serve
    from nebulakit.runner.job import Job, before_writing, default_folder

    if find(recipe) != recipe:
        raise UsageError(
            f"{recipe} comes with nebulakit and is no file to edit; make one with:  nebulakit new mine.yaml --from {recipe}"
        )
    set_threads(threads)
    with store_meanwhile(cache, no_cache) as store:

        def job(checked: Recipe) -> Job:
            folder = output or default_folder(checked, stack)
            return Job(checked, stack, folder, inputs_of(stack, inputs), overwrite=overwrite, store=store)

        watch = Watch(recipe, job, store, lambda text: click.echo(text, err=True))
        try:
            server = serve(watch, port)
        except OSError as fault:
            raise UsageError(f"cannot listen on port {port}: {fault.strerror}. Without --port a free one is taken") from None
        address = f"http://127.0.0.1:{server.server_address[1]}/{watch.token}/"
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            click.echo(address)
            with contextlib.suppress(RecipeError):  # a faulty recipe is shown on the page, where it can be mended
                before_writing(job(load(recipe)))
            if show:
                click.launch(address)
            watch.follow()  # in this thread, where Ctrl-C ends it as it ends a run; a thread cut off at work would abort the process
        except KeyboardInterrupt:
            click.echo("ended", err=True)
        finally:
            watch.stop.set()
            server.shutdown()
            server.server_close()
    return 0
