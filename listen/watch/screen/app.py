"""The screen on a terminal: prompt_toolkit draws what changed, reads the keys, and gives the terminal back."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from prompt_toolkit.application import Application
from prompt_toolkit.data_structures import Size
from prompt_toolkit.formatted_text import FormattedText
from prompt_toolkit.input import Input, create_input
from prompt_toolkit.key_binding import KeyBindings
from prompt_toolkit.layout import Layout, Window
from prompt_toolkit.layout.controls import FormattedTextControl

from listen.watch.guides import Guide
from listen.watch.screen.board import QUANTITIES, Board
from listen.watch.screen.drawing import Around, draw
from listen.watch.types import Event

_DRAWN_EVERY_S = 0.1
_SAID_S = 8.0
"""So long a message stands."""


class ScreenApp:
    """Draws a board, up to ten times a second, while the engine hears in another thread.

    Parameters
    ----------
    around : Around
    stop : callable
        Ends the hearing.
    guide : Guide or None
    colour : bool
        Bold for the big number; never more than that.
    """

    def __init__(
        self, around: Around, stop: Callable[[], None], guide: Guide | None = None, colour: bool = True
    ) -> None:
        self.board = Board()
        self._around, self._stop, self.guide = around, stop, guide
        self._lock = threading.Lock()
        self._said_s = 0.0
        self._drawn: list[str] = []
        self._next: list[str] | None = None
        self._bold = "bold" if colour else ""
        if guide is not None:
            self.board.quantity = guide.quantity
        control = FormattedTextControl(self._text, focusable=True, show_cursor=False)
        self._app: Application[None] = Application(
            layout=Layout(Window(control, wrap_lines=False)),
            key_bindings=self._keys(),
            full_screen=True,
            # sound comes through standard input: keys are read from the terminal that is written to
            input=create_input(always_prefer_tty=True),
        )
        self._usual = _terminal_settings(self._app.input)

    def tell(self, event: Event) -> None:
        """Take an event; called from the engine's thread."""
        with self._lock:
            self.board.take(event)
            if self.guide is not None:
                self.guide.look(self.board)

    def better_db(self) -> float | None:
        """By how much the big reading is better than the reference; called from any thread."""
        with self._lock:
            return self.board.better_by(self.board.quantity)

    def say(self, message: str) -> None:
        """Show a line below all others."""
        with self._lock:
            self._say(message)

    def run(self, hear: Callable[[], Any]) -> None:
        """Show the screen until the hearing has ended.

        Parameters
        ----------
        hear : callable
            Hears in a thread of its own; what it raises is raised here.
        """
        problem: list[BaseException] = []

        def heard() -> None:
            try:
                hear()
            except BaseException as error:  # raised again below, on the main thread
                problem.append(error)
            finally:
                self._leave()

        def begin() -> None:
            self._app.create_background_task(self._look())
            thread.start()

        thread = threading.Thread(target=heard, name="listen-hear")
        try:
            self._app.run(pre_run=begin, handle_sigint=False)
        finally:
            self._stop()
            if thread.ident is not None:
                thread.join()
        if problem:
            raise problem[0]

    def give_back(self) -> None:
        """Give the terminal back from outside, where the loop that does so has no time left."""
        if not self._app.is_running:
            return
        output = self._app.output
        output.quit_alternate_screen()
        output.show_cursor()
        output.reset_attributes()
        output.flush()
        if self._usual is not None:
            import termios

            termios.tcsetattr(self._app.input.fileno(), termios.TCSANOW, self._usual)

    def _leave(self) -> None:
        loop = self._app.loop
        if loop is not None:
            loop.call_soon_threadsafe(
                lambda: self._app.exit() if self._app.is_running and not self._app.is_done else None
            )

    async def _look(self) -> None:
        """Have the screen drawn where its text changed: to compare takes a quarter of the time that drawing does."""
        while True:
            await asyncio.sleep(_DRAWN_EVERY_S)
            lines = self._lines()
            if lines != self._drawn:
                self._next = lines
                self._app.invalidate()

    def _text(self) -> FormattedText:
        lines, self._next = self._next or self._lines(), None
        self._drawn = lines
        style = [self._bold if 2 <= i <= 4 else "" for i in range(len(lines))]
        ends = ["\n"] * (len(lines) - 1) + [""]
        return FormattedText([(s, line + end) for s, line, end in zip(style, lines, ends, strict=True)])

    def _lines(self) -> list[str]:
        size: Size = self._app.output.get_size()
        with self._lock:
            if self._around.message and time.monotonic() - self._said_s > _SAID_S:
                self._say("")
            around = self._around
            if self.guide is not None:
                around = replace(around, guide=self.guide.lines())
            return draw(self.board, around, size.columns, size.rows)

    def _keys(self) -> KeyBindings:
        keys = KeyBindings()

        def on(*names: str) -> Callable[[Callable[[], None]], None]:
            def add(act: Callable[[], None]) -> None:
                def pressed(_event: Any) -> None:
                    self._next = None
                    with self._lock:
                        act()

                for name in names:
                    keys.add(name)(pressed)

            return add

        for number, quantity in enumerate(QUANTITIES, start=1):
            on(str(number))(lambda quantity=quantity: setattr(self.board, "quantity", quantity))  # type: ignore[misc]
        on(" ")(lambda: self._say("" if self.board.hold() else "nothing is at rest: wait for steady, then hold"))
        on("m")(lambda: self._say(f"mark {len(self.board.marks)}" if self.board.mark() else "nothing is at rest"))
        on("?")(lambda: self._set(keys=not self._around.keys))
        on("q", "c-c")(self._stop)
        if self.guide is not None:
            guide = self.guide
            on("enter")(lambda: guide.on(self.board))
            on("b")(guide.back)
        return keys

    def _say(self, message: str) -> None:
        self._said_s = time.monotonic()
        self._set(message=message)

    def _set(self, **values: Any) -> None:
        self._around = replace(self._around, **values)


def _terminal_settings(keys: Input) -> Any:
    """Return how a terminal is set, None where nothing knows."""
    try:
        import termios
    except ImportError:  # Windows
        return None
    try:
        return termios.tcgetattr(keys.fileno())
    except (OSError, NotImplementedError, termios.error):
        return None


def wants_colour() -> bool:
    """Whether bold may be used."""
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
