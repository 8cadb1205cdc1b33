"""Follow a recipe file: on each save check it, run what changed, and let the page in the browser show it.

The server listens on 127.0.0.1 only, under an address with a random token in it; it answers nothing else and takes no orders.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from nebulakit.errors import NebulakitError
from nebulakit.image import Image
from nebulakit.recipe import load
from nebulakit.recipe.model import Call, Recipe
from nebulakit.report.collect import Collector
from nebulakit.report.page import render, report, report_of
from nebulakit.runner.execute import execute
from nebulakit.runner.inputs import input_keys, read_input, read_inputs
from nebulakit.runner.job import Done, Job, describe, run_job
from nebulakit.runner.store import Store

POLL = 0.04  # seconds between looks at the recipe file
QUICK = 600_000  # pixels a preview should not exceed
BINNED = 2  # times: in larger cells stars 3 to 4 px wide have to be softened, and there are no fewer of them to fit


class Changed(Exception):
    """The recipe was saved again while a run was under way."""


class Watch:
    """What the page shows, and the thread that keeps it up to date."""

    def __init__(self, recipe: Path, job: Callable[[Recipe], Job], store: Store, say: Callable[[str], None]) -> None:
        """Watch ``recipe``; ``job`` makes the full job of a checked recipe, ``store`` keeps layers between saves."""
        self.recipe = recipe
        self.token = secrets.token_urlsafe(16)
        self._job, self._store, self._say = job, store, say
        self._changed = threading.Condition()
        self._told: dict[str, Any] = {"version": 0, "fault": "", "state": "the first run may take a while"}
        self._page = render(title=recipe.name, lead="This page fills itself as soon as there is something to see.", live=0)
        self._pictures: list[dict[str, str]] = [{}, {}]  # of the page that is shown, and of the one before
        self._factor: int | None = None
        self._quick: tuple[dict[str, str], dict[str, Image]] | None = None  # the inputs of a quick look, by their keys
        self.stop = threading.Event()

    # --- what the browser asks ------------------------------------------------------------------------------------

    def page(self) -> str:
        """Give the page as it is now."""
        with self._changed:
            return self._page

    def picture(self, key: str) -> str | None:
        """Give a picture of the page as a data URL."""
        with self._changed:
            return next((p[key] for p in self._pictures if key in p), None)

    def told(self, known: dict[str, Any], timeout: float) -> dict[str, Any]:
        """Wait until there is something else to tell than ``known``, at most ``timeout`` seconds: version of the page, fault, state."""
        with self._changed:
            self._changed.wait_for(lambda: self._told != known or self.stop.is_set(), timeout)
            return dict(self._told)

    def _tell(
        self, state: str, fault: str = "", make: Callable[[int], str] | None = None, pictures: Mapping[str, str] | None = None
    ) -> None:
        """Show a page (``make`` gives it for a version) and its pictures, or leave the one that is there; with a state and a fault."""
        version = self._told["version"]
        page = make(version + 1) if make else None
        with self._changed:
            if page is not None:
                self._page, version = page, version + 1
                self._pictures = [dict(pictures or {}), self._pictures[0]]
            self._told = {"version": version, "fault": fault, "state": state}
            self._changed.notify_all()

    # --- following the file -----------------------------------------------------------------------------------------

    def _hash(self) -> str:
        # by contents: editors that save by renaming another file into place are followed like any other
        try:
            return hashlib.sha256(self.recipe.read_bytes()).hexdigest()
        except OSError:
            return ""

    def follow(self) -> None:
        """Run until :attr:`stop` is set: on each save a quick look, then the whole."""
        seen = ""
        while not self.stop.is_set():
            now = self._hash()
            self.stop.wait(POLL)
            if now and now != seen and now == self._hash():  # not while the editor is still writing
                seen = now
                self._saved(now)

    def _saved(self, version: str) -> None:
        start = time.perf_counter()

        def still(_: Call | None = None) -> None:
            if self.stop.is_set() or self._hash() not in ("", version):
                raise Changed

        def took() -> str:
            return f"{time.perf_counter() - start:.1f} s after the save"

        try:
            recipe = load(self.recipe)
            job = self._job(recipe)
            self._tell("working ...")
            self._preview(job, still, took)
            collected = Collector(recipe, self._store)

            def finish(done: Done, folder: Path) -> list[Path]:
                (folder / "report.html").write_text(report_of(done, collected), encoding="utf-8")
                return [Path("report.html")]

            done = run_job(job, before=still, after=collected.after, finish=finish)
            self._tell(f"up to date, {took()}", make=lambda n: report_of(done, collected, live=n), pictures=collected.pictures)
            self._say(f"done, {took()}")
        except Changed:
            pass
        except Exception as fault:  # a disk that fails may be well at the next save, and what we cannot do not be asked for
            told = str(fault)
            if not isinstance(fault, (NebulakitError, OSError)):
                told = f"This is a fault of nebulakit, not of your recipe: {type(fault).__name__}: {fault}"
                self._say("".join(traceback.format_exception(fault)))
            self._tell("the picture is that of the last good recipe" if self._told["version"] else "", told)
            self._say(told)

    def _preview(self, job: Job, still: Callable[[Call], None], took: Callable[[], str]) -> None:
        """Run on binned data and show that, unless the stack is small enough to be run whole at once."""
        if self._factor is None:
            height, width = read_input(job, "stack").shape
            self._factor = 1 if height * width <= QUICK else BINNED
        factor = self._factor
        if factor == 1:
            return
        quick = replace(job, preview=factor)
        told, keys = input_keys(quick)
        if self._quick is None or self._quick[0] != keys:  # read once, and again where a file is another one now
            self._quick = keys, read_inputs(quick)
        images = self._quick[1]
        collected = Collector(job.recipe, self._store)
        run = execute(job.recipe, images, store=self._store, input_keys=keys, before=still, after=collected.after)
        record = describe(quick, run, told, [], sum(s.seconds for s in run.steps))
        picture = collected.final(job.recipe.last, run.results[job.recipe.last])
        self._tell(
            f"quick look (binned {factor} times), {took()}; the whole is on its way",
            make=lambda n: report(record, collected, picture, live=n),
            pictures=collected.pictures,
        )
        self._say(f"preview (binned {factor} times), {took()}")


def serve(watch: Watch, port: int = 0) -> ThreadingHTTPServer:
    """Give a server for the page, bound to 127.0.0.1; ``serve_forever`` runs it."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            path = self.path.partition("?")[0]
            host = (self.headers.get("Host") or "").rpartition(":")[0]
            if host not in ("127.0.0.1", "localhost"):
                self.send_error(403)
            elif path == f"/{watch.token}/":
                self._send("text/html; charset=utf-8", watch.page().encode())
            elif path == f"/{watch.token}/events":
                self._events()
            elif path.startswith(f"/{watch.token}/p/") and (url := watch.picture(path.rpartition("/")[2])) is not None:
                kind, _, data = url.removeprefix("data:").partition(";base64,")
                self._send(kind, base64.b64decode(data), "private, max-age=86400, immutable")  # its name is its contents' hash
            else:
                self.send_error(404)

        def _send(self, kind: str, body: bytes, keep: str = "no-store") -> None:
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Cache-Control", keep)
            self.send_header("Referrer-Policy", "no-referrer")
            self.end_headers()
            self.wfile.write(body)

        def _events(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/event-stream")
            self.send_header("Cache-Control", "no-store")
            self.send_header("Connection", "close")
            self.end_headers()
            known: dict[str, Any] = {}
            try:
                while not watch.stop.is_set():
                    told = watch.told(known, 5.0)
                    self.wfile.write(f"data: {json.dumps(told)}\n\n".encode() if told != known else b": still here\n\n")
                    self.wfile.flush()
                    known = told
            except OSError:
                pass  # the page was closed

        def log_message(self, format: str, *args: Any) -> None:
            pass

    return ThreadingHTTPServer(("127.0.0.1", port), Handler)
