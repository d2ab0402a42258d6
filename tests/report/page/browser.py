"""A real browser for the page's tests: Debian's chromium, without a network."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

_FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
REQUIRED = os.environ.get("LISTEN_BROWSER") == "required"


def find_browser() -> str:
    """The browser's program; a skip with its reason where there is none, a failure where one is required."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    try:
        import playwright  # noqa: F401
    except ImportError:
        program = None
    if program is None:
        reason = "no chromium (apt-get install chromium) or no playwright (pip install playwright)"
        if REQUIRED:
            pytest.fail(reason)
        pytest.skip(reason)
    return program


@contextmanager
def open_browser() -> Iterator[Any]:
    program = find_browser()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program, args=_FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page with all that it complained of and asked for."""

    def __init__(
        self, browser: Any, path: Path, *, width: int = 1280, height: int = 900, dark: bool = False, ready: bool = True
    ) -> None:
        self.context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme="dark" if dark else "light"
        )
        self.page = self.context.new_page()
        self.page.set_default_timeout(15000)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("dialog", lambda dialog: (self.said.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        self.page.goto(path.as_uri())
        if ready:  # a page without a script never says so
            self.page.wait_for_selector("html[data-ready]", state="attached")

    def network(self) -> list[str]:
        """Requests to anything but the file itself and what is in it."""
        return [url for url in self.asked if not url.startswith(("file:", "data:"))]

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()
