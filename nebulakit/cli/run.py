"""``nebulakit run``: a recipe on one or several stacks."""

from __future__ import annotations

import json
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from nebulakit.cli import options
from nebulakit.cli.options import StackFile, inputs_of, open_store, refuse_both, set_threads
from nebulakit.cli.progress import Progress

if TYPE_CHECKING:
    from nebulakit.errors import NebulakitError
    from nebulakit.image import Image
    from nebulakit.recipe.model import Ref
    from nebulakit.runner.execute import StepRun
    from nebulakit.runner.job import Done, Job


@click.command("run", short_help="Run a recipe on one or several stacks.")
@click.argument("recipe")
@click.argument("stacks", nargs=-1, required=True, type=StackFile(), metavar="STACK...")
@options.inputs
@options.output("The folder for the results (default RECIPE-STACK; with several stacks one folder each inside DIR).")
@options.settings
@click.option("--until", metavar="ID", help="Stop after this step and write its result.")
@options.preview
@options.assume
@options.fwhm
@options.cache
@click.option("--no-cache", is_flag=True, help="Neither use nor keep finished layers.")
@click.option(
    "--report/--no-report", default=True, help="Write report.html beside the pictures; without, that of an earlier run goes."
)
@options.threads
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print what run.json holds instead of the files' names; of a stack that failed, its error.",
)
@click.option(
    "--keep-site",
    is_flag=True,
    help="Let pictures keep, as text, what the stack's header tells of place, observer and devices (FITS always does).",
)
@options.overwrite
@click.option("-n", "--only-plan", is_flag=True, help="Run nothing: say what would be reused and what would run, as plan does.")
def command(
    recipe: str,
    stacks: tuple[Path, ...],
    inputs: dict[str, Path],
    output: Path | None,
    settings: dict[str, str],
    until: str | None,
    preview: int,
    assume: Literal["linear", "display"] | None,
    fwhm: float | None,
    cache: Path | None,
    no_cache: bool,
    report: bool,
    threads: int | None,
    as_json: bool,
    keep_site: bool,
    overwrite: bool,
    only_plan: bool,
) -> int:
    """Run RECIPE (a file, or the name of a shipped recipe) on each STACK.

    Prints the files it wrote; everything else is told on the error stream.
    """
    refuse_both(cache, no_cache)
    if only_plan and as_json:
        raise click.UsageError("--json tells what a run did, and -n runs nothing")
    if only_plan and no_cache:
        raise click.UsageError("-n says what is kept would be reused, and with --no-cache nothing is: every step would run")
    from nebulakit.cli import words
    from nebulakit.cli.plan import tell_plan
    from nebulakit.recipe import load
    from nebulakit.runner.job import Job, default_folder, stack_name

    checked = load(recipe, settings=settings)
    set_threads(threads)
    folders = [
        output / stack_name(s) if output and len(stacks) > 1 else output or default_folder(checked, s, preview) for s in stacks
    ]
    if len(set(folders)) < len(folders):
        raise click.UsageError(
            "two of the stacks have the same name, so their results would go to one folder; run them singly, with -o"
        )
    failed: list[Path] = []
    answers: list[Any] = []
    for stack, folder in zip(stacks, folders, strict=True):
        store = None if no_cache else open_store(cache)
        job = Job(
            checked, stack, folder, inputs_of(stack, inputs), settings, until, preview, overwrite, assume, fwhm, store, keep_site
        )
        try:
            if only_plan:
                if len(stacks) > 1:
                    click.echo(f"{stack}:")
                tell_plan(job)
                continue
            # only in a batch: who names a single stack wants it run
            record = (finished(job, report) if len(stacks) > 1 else None) or run_told(job, report).record
            answers.append(record)
            if not as_json:
                for written in record["outputs"]:
                    click.echo(folder / written["file"])
        except Exception as fault:  # of whatever kind: the others of a night must not wait for it
            if len(stacks) == 1 or isinstance(fault, BrokenPipeError):
                raise
            failed.append(stack)
            told = words(fault)[0].removeprefix("error: ")
            click.echo(f"error: {told if told.startswith(str(stack)) else f'{stack}: {told}'}", err=True)
            if as_json:
                answers.append({"inputs": {"stack": {"file": stack.name}}, "error": told})
    if as_json and not only_plan:
        click.echo(json.dumps(answers[0] if len(stacks) == 1 else answers, indent=1))
    if failed:
        click.echo(f"{len(failed)} of {len(stacks)} stacks failed: {', '.join(map(str, failed))}", err=True)
        return 5
    return 0


def finished(job: Job, report: bool) -> dict[str, Any] | None:
    """Give the ``run.json`` of a job that is done already, with its page if wanted, and say so; None where it is to be run."""
    from nebulakit.runner.job import finished_earlier

    earlier = finished_earlier(job) if not report or (job.folder / "report.html").is_file() else None
    if earlier is not None:
        click.echo(f"{job.stack}: already finished in {job.folder}, nothing has changed", err=True)
    return earlier


def run_told(job: Job, report: bool = True) -> Done:
    """Run a job with progress and warnings on the error stream and, if wanted, its page; a failed run has a page too."""
    from nebulakit.errors import NebulakitError
    from nebulakit.runner.job import run_job

    page = Page(job) if report else None
    try:
        with Progress(job) as progress:

            def after(done: StepRun, layers: dict[Ref, Image]) -> None:
                if page is not None:
                    page.after(done, layers)
                progress.after(done, layers)

            finish = {} if page is None else {"finish": page.finish}
            done = run_job(job, before=progress.before, after=after, **finish)
    except NebulakitError as fault:
        if page is not None:  # told once the live line has ended
            page.failed(fault)
        raise
    for warning in done.record["warnings"]:
        click.echo(f"note ({warning['id']}, {warning['from']}): {warning['text']}", err=True)
    return done


class Page:
    """The page of a job. A fault of ours in making it never costs the picture: it is told once, and the run goes on without a page."""

    def __init__(self, job: Job) -> None:
        """Begin with nothing to show."""
        from nebulakit.report.collect import Collector
        from nebulakit.runner.background import Background

        self._job, self._collected, self._beside = job, Collector(job.recipe, job.store), Background()
        self._broken = False

    def after(self, done: StepRun, layers: dict[Ref, Image]) -> None:
        """Look at a step while the next one runs."""
        self._beside.put(partial(self._guarded, self._collected.after, done, dict(layers)))

    def finish(self, done: Done, folder: Path) -> list[Path]:
        """Write the page of a finished job into ``folder``; give its name there."""
        from nebulakit.report.page import report_of

        self._beside.wait()
        text = self._guarded(report_of, done, self._collected)
        if text is None:
            return []
        (folder / "report.html").write_text(text, encoding="utf-8")
        return [Path("report.html")]

    def failed(self, fault: NebulakitError) -> None:
        """Write the page of a job that failed, and say where it is."""
        from nebulakit.report.page import report_of_failure

        self._beside.wait()
        where = self._guarded(report_of_failure, self._job, self._collected, fault)
        if where is not None:
            click.echo(f"what was done before it failed is shown in {where}", err=True)

    def _guarded(self, make: Callable[..., Any], *given: Any) -> Any:
        if self._broken:
            return None
        try:
            return make(*given)
        except Exception as fault:
            self._broken = True
            told = "".join(traceback.format_exception(fault))
            click.echo(
                f"{told}\nreport.html cannot be made, by a fault of nebulakit, not of yours; the pictures are not touched by it. "
                "Please report the lines above to the place you have nebulakit from.",
                err=True,
            )
            return None
