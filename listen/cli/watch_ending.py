"""How a watch ends by signals: Ctrl-C ends the hearing and the take is checked; SIGTERM has a second for all of it."""

from __future__ import annotations

import argparse
import contextlib
import os
import shlex
import signal
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from listen.cli.interrupts import ended_with, hear_of_signals_again
from listen.cli.options import UNUSABLE, aside, complain
from listen.errors import LONGEST_LINE

if TYPE_CHECKING:
    from listen.watch.engine import Engine
    from listen.watch.types import Event

_OPTIONS = ("channel", "wave", "gain_control", "bench", "limits")
"""What the closing check would have been told."""


@contextlib.contextmanager
def stopped_by_signals(engine: Engine, last_words: Callable[[], None]) -> Iterator[Callable[[], None]]:
    """Let Ctrl-C, SIGTERM and a closed terminal end the hearing, not the program: the take is still checked.

    Parameters
    ----------
    engine : Engine
    last_words : callable
        Said where a second after SIGTERM the check is not done.

    Yields
    ------
    callable
        To be called when the hearing is over: from then on Ctrl-C interrupts the check.
    """
    if threading.current_thread() is not threading.main_thread():
        yield lambda: None
        return
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in (getattr(signal, name) for name in names)}
    with ended_with(last_words, UNUSABLE) as killed:

        def stop(number: int, _frame: Any) -> None:
            engine.stop()
            if number == signal.SIGTERM and killed is not None:
                killed()

        def heard() -> None:
            hear_of_signals_again()
            signal.signal(signal.SIGINT, before[signal.SIGINT])
            if killed is None:  # another program's own way to end a long computation
                signal.signal(signal.SIGTERM, before[signal.SIGTERM])

        for number, handler in before.items():
            if number in (signal.SIGINT, signal.SIGTERM) or handler is not signal.SIG_IGN:  # nohup is meant to go on
                signal.signal(number, stop)
        try:
            yield heard
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def last_words_of(
    engine: Engine,
    options: argparse.Namespace,
    keep: str | None,
    give_back: Callable[[], None],
    tell: Callable[[Event], None],
) -> Callable[[], None]:
    """Return what is done where SIGTERM leaves no time for the check: take whole, terminal given back, one line.

    Parameters
    ----------
    engine : Engine
    options : Namespace
    keep : str or None
        Where the take is kept.
    give_back : callable
        Gives the terminal back.
    tell : callable
        Takes the summary, which then has no verdict.
    """

    def end() -> None:
        steps: tuple[Callable[[], Any], ...] = (
            give_back,
            engine.save,
            lambda: _say(options, keep, heard=engine.heard_s > 0.0, judged=engine.judged),
            engine.discard,
            lambda: None if engine.judged else tell(engine.unjudged("terminated before the take was checked")),
        )
        for step in steps:
            with contextlib.suppress(Exception):  # whatever fails, the next one is owed all the same
                step()

    return end


def no_terminal() -> None:
    """Give back nothing."""


def _say(options: argparse.Namespace, keep: str | None, *, heard: bool, judged: bool) -> None:
    what = "terminated before all results were written" if judged else "terminated before the take was checked"
    if keep is None or not heard:
        complain(f"{what}; it was not kept: give --keep" if heard else "terminated before anything was heard")
        return
    stated = [(name, getattr(options, name)) for name in _OPTIONS]
    words = [f"--{name.replace('_', '-')} {shlex.quote(str(value))}" for name, value in stated if value is not None]
    line = f"{what}; it is whole: {' '.join(['listen check', shlex.quote(os.fspath(keep)), *words])}"
    # a command is to be copied: nothing in it is cut as long as it fits on the line
    if len(line) < LONGEST_LINE - 10 and line.isprintable():
        aside(f"listen: {line}\n")
    else:
        complain(line)
