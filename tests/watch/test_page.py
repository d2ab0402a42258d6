"""The page of a watch: for this machine alone, moving in a real browser."""

from __future__ import annotations

import http.client
import json
import threading
import time
import urllib.request
from collections.abc import Iterator
from typing import Any

import pytest

from listen.errors import OptionError
from listen.watch.page.server import PageServer
from listen.watch.screen.drawing import Around
from tests.report.page.browser import open_browser
from tests.watch.test_board import reading


@pytest.fixture
def server() -> Iterator[PageServer]:
    running = PageServer(0, Around())
    yield running
    if not running.closed:
        running.close()


def ask(server: PageServer, method: str, path: str, **headers: str) -> tuple[int, http.client.HTTPMessage, str]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
    connection.request(method, path, headers=headers)
    answer = connection.getresponse()
    found = answer.status, answer.headers, answer.read().decode()
    connection.close()
    return found


def fill(server: PageServer, start_s: float = 0.0, seconds: float = 2.0, **values) -> None:
    for i in range(round(seconds / 0.05)):
        server.tell(reading(start_s + 0.05 * i, **values))


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1", "127.0.0.1:1", "localhost.example.org:{port}", ""])
@pytest.mark.parametrize(("method", "path"), [("GET", "/"), ("GET", "/events"), ("POST", "/hold")])
def test_a_foreign_name_is_refused(server, host, method, path):
    """A page elsewhere whose name was made to lead here (DNS rebinding) reads nothing."""
    fill(server)
    status, _, body = ask(server, method, path, Host=host.format(port=server.port), **{"X-Listen": "hold"})
    assert status == 403
    assert "440" not in body
    assert server.board.reference_s is None


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_this_machine_is_answered(server, host):
    status, headers, body = ask(server, "GET", "/", Host=f"{host}:{server.port}")
    assert status == 200
    nonce = headers["Content-Security-Policy"].split("'nonce-")[1].split("'")[0]
    assert f'<script nonce="{nonce}">' in body
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert ask(server, "GET", "/nothing")[0] == 404


def test_it_listens_on_the_loopback_alone(server):
    assert server._server.server_address[0] == "127.0.0.1"


def test_a_port_that_is_taken_is_said(server):
    with pytest.raises(OptionError, match="cannot be used"):
        PageServer(server.port, Around())


def test_a_form_of_another_page_holds_nothing(server):
    fill(server)
    assert ask(server, "POST", "/hold")[0] == 404
    assert server.board.reference_s is None
    assert ask(server, "POST", "/hold", **{"X-Listen": "hold"})[2] == "held\n"
    assert server.board.reference_s is not None


def test_events_carry_the_readings(server):
    fill(server, thd=0.25)
    with urllib.request.urlopen(f"{server.url}events?clean", timeout=10) as stream:
        names, data = {}, ""
        while set(names) != {"state", "charts"}:
            line = stream.readline().decode().strip()
            if line.startswith("event: "):
                data = line[7:]
            elif line.startswith("data: "):
                names[data] = json.loads(line[6:])
    assert names["state"]["number"].startswith("0.25")
    assert names["state"]["state"] == "steady"
    assert set(names["charts"]) == {"pitch", "level", "clean"}
    assert all(svg.startswith("<svg") for svg in names["charts"].values())


def wait(page: Any, condition: str, seconds: float = 20.0) -> None:
    """Ask again and again: the driver's own way evaluates texts within the page, which the page's policy forbids."""
    end_s = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < end_s, condition
        time.sleep(0.05)


def test_it_moves_in_a_browser(server):
    """Numbers, charts and keys; a source that is gone is blanked; the end is said; no complaint, no other address."""
    going = threading.Event()
    values = {"thd": 0.5}

    def sound() -> None:
        i = 0
        while not going.is_set():
            server.tell(reading(0.05 * i, **values))
            i += 1
            time.sleep(0.02)

    thread = threading.Thread(target=sound)
    thread.start()
    try:
        with open_browser() as browser:
            page = browser.new_context(viewport={"width": 800, "height": 900}).new_page()
            page.set_default_timeout(20_000)
            said, asked = [], []
            page.on("console", lambda message: said.append(message.text))
            page.on("pageerror", lambda error: said.append(str(error)))
            page.on("request", lambda request: asked.append(request.url))
            page.goto(server.url)
            wait(page, "document.getElementById('value').textContent.startsWith('0.5')")
            page.wait_for_selector("#pitch svg path")
            values["thd"] = 0.25
            wait(page, "document.getElementById('value').textContent.startsWith('0.25')")
            before = page.inner_html("#clean")
            wait(page, f"document.getElementById('clean').innerHTML !== {json.dumps(before)}")
            page.click("#hold")
            wait(page, "document.getElementById('lines').textContent.includes('reference held')")
            page.click("text=level")
            wait(page, "document.getElementById('unit').textContent === 'dBFS'")
            values.update(state="lost", hz=None, thd=None, level_dbfs=None)
            wait(page, "document.getElementById('value').textContent === ''")
            assert "NOTHING COMES" in page.inner_text("#lines")
            going.set()
            thread.join()
            server.close()
            wait(page, "document.getElementById('state').textContent.startsWith('ended')")
            assert page.inner_text("#lines") == ""
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            assert said == []
            assert {url.split("?")[0] for url in asked} <= {server.url, f"{server.url}events", f"{server.url}hold"}
    finally:
        going.set()
        thread.join()
