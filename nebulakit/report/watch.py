"""Follow a recipe file: on each save check it, run what changed, and let the page in the browser show it.

The server listens on 127.0.0.1 only, under an address with a random token in it; it answers nothing else and takes no orders.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from nebulakit.errors import NebulakitError
from nebulakit.image import Image
from nebulakit.recipe import load
from nebulakit.recipe.model import Call, Recipe
from nebulakit.report.collect import Collector
from nebulakit.report.page import report, report_of
from nebulakit.runner.execute import execute
from nebulakit.runner.job import Done, Job, describe, input_keys, read_inputs, run_job
from nebulakit.runner.store import Store

POLL = 0.1  # seconds between looks at the recipe file
QUICK = 600_000  # pixels a preview should not exceed


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
        self._page, self._version, self._fault = _waiting(recipe.name), 0, ""
        self._quick: tuple[int, dict[str, Image]] | None = None
        self.stop = threading.Event()

    # --- what the browser asks ------------------------------------------------------------------------------------

    def page(self) -> str:
        """Give the page as it is now."""
        with self._changed:
            return self._page.replace('"events"', f'"events?v={self._version}"')

    def told(self, version: int, fault: str | None, timeout: float) -> dict[str, Any] | None:
        """Wait until there is a newer page or another fault; None where nothing changed in ``timeout`` seconds."""
        with self._changed:
            self._changed.wait_for(lambda: self._version != version or self._fault != fault or self.stop.is_set(), timeout)
            if self._version != version:
                return {"reload": True}
            return {"fault": self._fault} if self._fault != fault else None

    def _show(self, page: str | None, fault: str = "") -> None:
        with self._changed:
            if page is not None:
                self._page, self._version = page, self._version + 1
            self._fault = fault
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
            if now and now != seen:
                seen = now
                self._saved(now)
            self.stop.wait(POLL)

    def _saved(self, version: str) -> None:
        start = time.perf_counter()

        def still(_: Call | None = None) -> None:
            if self.stop.is_set() or self._hash() not in ("", version):
                raise Changed

        try:
            recipe = load(self.recipe)
            job = self._job(recipe)
            factor, page = self._preview(job, still)
            if page:
                self._show(page)
                self._say(f"preview (binned {factor} times) after {time.perf_counter() - start:.1f} s")
            collected = Collector(recipe, self._store)

            def finish(done: Done, folder: Path) -> list[Path]:
                (folder / "report.html").write_text(report_of(done, collected), encoding="utf-8")
                return [Path("report.html")]

            done = run_job(job, before=still, after=collected.after, finish=finish)
            self._show(report_of(done, collected, live="events"))
            self._say(f"done after {time.perf_counter() - start:.1f} s")
        except Changed:
            pass
        except NebulakitError as fault:
            self._show(None, str(fault))
            self._say(str(fault))

    def _preview(self, job: Job, still: Callable[[Call], None]) -> tuple[int, str]:
        """Run on binned data; give the binning and the page, empty where the stack is small enough to be run whole at once."""
        if self._quick is None:
            images = read_inputs(job)
            factor = next(n for n in range(1, 9) if images["stack"].planes[0].size / n**2 <= QUICK or n == 8)
            small = read_inputs(replace(job, preview=factor)) if factor > 1 else {}
            self._quick = (factor, small)
        factor, images = self._quick
        if factor == 1:
            return 1, ""
        quick = replace(job, preview=factor)
        told, keys = input_keys(quick)
        collected = Collector(job.recipe, self._store)
        run = execute(job.recipe, images, store=self._store, input_keys=keys, before=still, after=collected.after)
        record = describe(quick, run, told, [], sum(s.seconds for s in run.steps))
        return factor, report(record, collected, collected.final(job.recipe.last, run.results[job.recipe.last]), live="events")


def _waiting(name: str) -> str:
    from nebulakit.report.page import render

    return render(title=name, lead="Running for the first time; the page fills itself.", live="events")


def serve(watch: Watch, port: int = 0) -> ThreadingHTTPServer:
    """Give a server for the page, bound to 127.0.0.1; ``serve_forever`` runs it."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            path, _, query = self.path.partition("?")
            host = (self.headers.get("Host") or "").rpartition(":")[0]
            if host not in ("127.0.0.1", "localhost"):
                self.send_error(403)
            elif path == f"/{watch.token}/":
                self._send("text/html; charset=utf-8", watch.page().encode())
            elif path == f"/{watch.token}/events":
                self._events(query)
            else:
                self.send_error(404)

        def _send(self, kind: str, body: bytes) -> None:
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Cache-Control", "no-store")
            self.send_header("Referrer-Policy", "no-referrer")
            self.end_headers()
            self.wfile.write(body)

        def _events(self, query: str) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/event-stream")
            self.send_header("Cache-Control", "no-store")
            self.send_header("Connection", "close")
            self.end_headers()
            value = query.partition("=")[2]
            version, fault = int(value) if value.isdigit() else -1, ""
            try:
                while not watch.stop.is_set():
                    told = watch.told(version, fault, 5.0)
                    self.wfile.write(f"data: {json.dumps(told)}\n\n".encode() if told else b": still here\n\n")
                    self.wfile.flush()
                    if told and told.get("reload"):
                        return
                    fault = (told or {}).get("fault", fault)
            except OSError:
                pass  # the page was closed

        def log_message(self, format: str, *args: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True

    return Server(("127.0.0.1", port), Handler)
