"""The page's server: loopback alone, one page, its events; it answers no other name and sends nothing out."""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections import deque
from dataclasses import replace
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from typing import Any

from listen.errors import OptionError
from listen.watch.page.charts import SPAN_S, chart_pictures
from listen.watch.screen.board import QUANTITIES, Board
from listen.watch.screen.drawing import NARROWEST, UNIT, Around, draw, number
from listen.watch.types import Event, Reading

DEFAULT_PORT = 8931
_EVERY_S = 0.1
_LOOK_S = 0.05
"""So often the server looks whether it is to end: with its own half second, a stop waits for it."""
_CHARTS_EVERY_S = 0.5
_MOST_READINGS = 4000
_ROWS = 40
_FEWEST_COLUMNS, _MOST_COLUMNS = NARROWEST, 72


class PageServer:
    """Serves the page while a watch goes on.

    Parameters
    ----------
    port : int
        0: any that is free.
    around : Around
        As on the screen.

    Raises
    ------
    OptionError
        The port is taken.
    """

    def __init__(self, port: int, around: Around) -> None:
        self.board = Board()
        self._around = replace(around, page=True)
        self._readings: deque[Reading] = deque(maxlen=_MOST_READINGS)
        self._lock = threading.Lock()
        self._closed = threading.Event()
        handler = type("Handler", (_Handler,), {"page": self})
        try:
            self._server = ThreadingHTTPServer(("127.0.0.1", port), handler)
        except OSError as cause:
            raise OptionError(
                f"--page {port}: the port cannot be used ({(cause.strerror or str(cause)).lower()})",
                "give another one, or 0 for any that is free",
            ) from cause
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        self.url = f"http://127.0.0.1:{self.port}/"
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(_LOOK_S,), daemon=True, name="listen-page"
        )
        self._thread.start()

    def tell(self, event: Event) -> None:
        """Take an event."""
        with self._lock:
            self.board.take(event)
            if isinstance(event, Reading):
                self._readings.append(event)

    def close(self) -> None:
        """Stop serving; pages that are open say so."""
        self._closed.set()
        self._server.shutdown()
        self._server.server_close()

    @property
    def closed(self) -> bool:
        """Whether it has stopped."""
        return self._closed.is_set()

    def allows(self, host: str | None) -> bool:
        """Whether a request names this machine: another name is a foreign page that was led here."""
        return host in (f"127.0.0.1:{self.port}", f"localhost:{self.port}")

    def state(self, quantity: str, columns: int = _MOST_COLUMNS) -> dict[str, Any]:
        """Return what the page shows, as texts, the lines no longer than so many columns."""
        with self._lock:
            board = self.board
            board.quantity = quantity
            shown = board.shown(quantity)
            reading = board.reading
            gone = reading is None or reading.state in ("lost", "silent")
            hidden = reading is not None and reading.state == "over" and quantity == "clean"
            text = "" if gone or hidden else number(quantity, shown)
            better = board.better_by(quantity)
            return {
                "quantity": quantity,
                "number": text,
                "unit": UNIT[quantity] if text else "",
                "sure": shown.sure,
                "state": "waiting" if reading is None else reading.state,
                "better": None if better is None else round(better, 2),
                "lines": draw(board, self._around, columns, _ROWS),
                "ended": board.summary is not None,
            }

    def charts(self) -> dict[str, str]:
        """Return the charts of the last half minute as SVG."""
        with self._lock:
            if not self._readings:
                return {}
            end_s = self._readings[-1].time_s
            readings = [r for r in self._readings if r.time_s > end_s - SPAN_S]
        return chart_pictures(readings)

    def hold(self) -> bool:
        """Hold the reference, as space does."""
        with self._lock:
            return self.board.hold()


def page_html(nonce: str) -> str:
    """Return the page; its one script and its styles carry the nonce."""
    text = resources.files("listen.watch.page").joinpath("watch.html").read_text(encoding="utf-8")
    return text.replace("NONCE", nonce)


def _wanted(query: str) -> tuple[str, int]:
    """Return what is drawn large, and the columns that there is room for.

    Examples
    --------
    >>> _wanted("level&48"), _wanted("?&900"), _wanted("pitch")
    (('level', 48), ('clean', 72), ('pitch', 72))
    """
    quantity, _, columns = query.partition("&")
    room = int(columns) if columns.isdecimal() and len(columns) < 5 else _MOST_COLUMNS
    return quantity if quantity in QUANTITIES else "clean", min(max(room, _FEWEST_COLUMNS), _MOST_COLUMNS)


class _Handler(BaseHTTPRequestHandler):
    """Answers one request."""

    page: PageServer
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "listen", ""

    def do_GET(self) -> None:
        """The page, or its events."""
        path, _, query = self.path.partition("?")
        if not self._welcome():
            return
        if path == "/":
            nonce = secrets.token_urlsafe(16)
            self._answer(HTTPStatus.OK, page_html(nonce), "text/html; charset=utf-8", nonce)
        elif path == "/events":
            self._events(*_wanted(query))
        else:
            self._answer(HTTPStatus.NOT_FOUND, "There is no such page.\n")

    def do_POST(self) -> None:
        """Hold the reference."""
        if not self._welcome():
            return
        # a form of another page can post, but not with a header of its own
        if self.path == "/hold" and self.headers.get("X-Listen") == "hold":
            self._answer(HTTPStatus.OK, "held\n" if self.page.hold() else "nothing is at rest\n")
        else:
            self._answer(HTTPStatus.NOT_FOUND, "There is no such page.\n")

    def _welcome(self) -> bool:
        if self.page.allows(self.headers.get("Host")):
            return True
        self.close_connection = True
        self._answer(HTTPStatus.FORBIDDEN, "This page is for this machine alone.\n")
        return False

    def _answer(self, status: HTTPStatus, text: str, kind: str = "text/plain; charset=utf-8", nonce: str = "") -> None:
        body = text.encode()
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self._guard(nonce)
        self.end_headers()
        self.wfile.write(body)

    def _guard(self, nonce: str) -> None:
        """The page may run its own script, and talk to this server alone. Charts bring their styles with them."""
        script = f"'nonce-{nonce}'" if nonce else "'none'"
        policy = (
            f"default-src 'none'; script-src {script}; style-src 'unsafe-inline'; connect-src 'self'; img-src data:"
        )
        self.send_header(
            "Content-Security-Policy", policy + "; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Cross-Origin-Resource-Policy", "same-origin")
        self.send_header("Cache-Control", "no-store")

    def _events(self, quantity: str, columns: int) -> None:
        """Server-sent events (HTML standard, section 9.2), until one side has had enough."""
        self.close_connection = True
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", "text/event-stream")
        self._guard("")
        self.end_headers()
        before, charts_s = "", 0.0
        try:
            while not self.page.closed:
                state = json.dumps(self.page.state(quantity, columns))
                if state != before:
                    self._send("state", state)
                    before = state
                if time.monotonic() - charts_s >= _CHARTS_EVERY_S:
                    charts_s = time.monotonic()
                    charts = self.page.charts()
                    if charts:
                        self._send("charts", json.dumps(charts))
                time.sleep(_EVERY_S)
            self._send("end", "{}")
        except OSError:  # the page was closed
            return

    def _send(self, name: str, data: str) -> None:
        self.wfile.write(f"event: {name}\ndata: {data}\n\n".encode())
        self.wfile.flush()

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: the terminal is the screen's."""
        del format, args
