"""Ctrl-C and a polite kill: one line, status 130, nothing after it, whatever the program was doing."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

INTERRUPTED = 130
_SAID = b"listen: interrupted\n"
_GRACE_S = 0.7
"""So long after SIGTERM there is time to unwind: it has ended within a second, even from within a long computation."""
_WORDS_S = 0.2
"""... and so long to say what is left to say, should whoever reads it have stopped reading."""
_AGAIN_S = 0.01
_PROGRAM = ("listen", "listen.exe", "-m")
"""What the first argument ends in while the program is loaded: its name, or that of ``python -m``."""


@contextlib.contextmanager
def silent_while_loading() -> Iterator[None]:
    """End at once where an interrupt comes while this program's modules are loaded; other programs have their ways."""
    name = os.path.basename(sys.argv[0]) if sys.argv else ""
    if name not in _PROGRAM or not _in_main_thread() or signal.getsignal(signal.SIGINT) != signal.default_int_handler:
        yield
        return

    def leave(_number: int, _frame: FrameType | None) -> None:
        _say_and_leave()

    signal.signal(signal.SIGINT, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@contextlib.contextmanager
def terminated_is_interrupted() -> Iterator[None]:
    """Let a polite kill unwind like Ctrl-C, so that no spare file stays behind; for a call from another program."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    if not _in_main_thread() or signal.getsignal(signal.SIGTERM) != signal.SIG_DFL:
        yield
        return
    signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)


class OwnProcess:
    """The signals of a process that is this program alone.

    The first interrupt unwinds what is being done; those that follow are passed over, and so is all that libraries
    have to say about it. SIGTERM ends the process a moment later even if nothing unwinds. Once the work is done,
    neither changes the status, and there is the same moment to tidy up.
    """

    def __init__(self) -> None:
        self._came = False
        self._status: int | None = None
        self._wakeup: int | None = None
        self._killed = threading.Lock()
        self._last_words: tuple[Callable[[], None], int] | None = None

    def take_signals(self) -> None:
        """Take the signals that have their usual effect."""
        for number, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGTERM, signal.SIG_DFL)):
            if (
                _in_main_thread() and signal.getsignal(number) == usual
            ):  # a shell lets jobs in the background ignore one
                signal.signal(number, self._stop)
        self._watch_for_the_kill()
        _running.append(self)

    def interrupted(self) -> bool:
        """Tell whether an interrupt has come."""
        return self._came

    def done(self, status: int) -> int:
        """Say with which status the process is about to leave; return it."""
        self._status = status
        with contextlib.suppress(ValueError):  # not the main thread
            if signal.getsignal(signal.SIGINT) == self._stop:
                signal.signal(signal.SIGINT, signal.SIG_IGN)
        return status

    def _stop(self, number: int, _frame: FrameType | None) -> None:
        if self._came or self._status is not None:
            return
        self._came = True
        self._hush(number)
        raise KeyboardInterrupt

    def _hush(self, number: int) -> None:
        """Keep libraries from telling what an interruption has cost them."""
        warnings.simplefilter("ignore")

        def unraisable(what: Any) -> None:
            # raised where Python cannot hand it on, as an object goes: it is sent again when that is over
            known = hasattr(signal, "pthread_kill") and self._status is None
            if known and issubclass(what.exc_type, KeyboardInterrupt):
                self._came = False
                main = threading.main_thread().ident
                with contextlib.suppress(RuntimeError):
                    threading.Timer(_AGAIN_S, signal.pthread_kill, (main, number)).start()

        sys.unraisablehook = unraisable
        threading.excepthook = lambda _what: None

    def _watch_for_the_kill(self) -> None:
        """Start a thread that hears of SIGTERM even while the main one is within a long computation."""
        if os.name == "nt" or signal.getsignal(signal.SIGTERM) != self._stop:
            return
        read_end, wakeup_end = os.pipe()
        os.set_blocking(wakeup_end, False)
        self._wakeup = wakeup_end
        self._hear_of_signals()
        with contextlib.suppress(RuntimeError):  # no more threads: then it unwinds as soon as it can
            threading.Thread(target=self._end_in_time, args=(read_end,), daemon=True, name="listen-kill").start()

    def _hear_of_signals(self) -> None:
        """Have the bytes that tell of signals sent to our thread; the loop of a screen takes them for itself."""
        if self._wakeup is not None and _in_main_thread():
            signal.set_wakeup_fd(self._wakeup, warn_on_full_buffer=False)

    def _end_in_time(self, heard: int) -> None:
        while number := os.read(heard, 1):
            ours = self._last_words is not None or signal.getsignal(signal.SIGTERM) == self._stop
            if number[0] == signal.SIGTERM and ours:
                self._end_soon()

    def _end_soon(self) -> None:
        """End when the time of grace is over, with the last words that were left, else as interrupted."""
        if not self._killed.acquire(blocking=False):
            return
        threading.Event().wait(_GRACE_S)
        if self._status is not None:
            os._exit(self._status)
        last_words = self._last_words
        if last_words is None:
            _say_and_leave()
            return
        say, status = last_words
        speaker = threading.Thread(target=say, daemon=True, name="listen-last-words")
        with contextlib.suppress(RuntimeError):
            speaker.start()
            speaker.join(_WORDS_S)
        os._exit(status)


_running: list[OwnProcess] = []
"""The process's signals, once they were taken: not where another program calls."""


@contextlib.contextmanager
def ended_with(last_words: Callable[[], None], status: int) -> Iterator[Callable[[], None] | None]:
    """Let SIGTERM end the process in its time with a status and some words, instead of interrupting what is done.

    Parameters
    ----------
    last_words : callable
        Called in a thread of its own where the work was not over in time; the process ends then, whatever they do.
    status : int

    Yields
    ------
    callable or None
        To be called by a handler of SIGTERM. None where another program calls: it is not ours to end.
    """
    if not _running:
        yield None
        return
    process = _running[-1]

    def came() -> None:
        with contextlib.suppress(RuntimeError):  # no more threads: then it ends when it can
            threading.Thread(target=process._end_soon, daemon=True, name="listen-kill").start()

    process._last_words = last_words, status
    try:
        yield came
    finally:
        if not process._killed.locked():
            process._last_words = None


def hear_of_signals_again() -> None:
    """Undo what the loop of a screen did: it takes the news of signals for itself, and leaves none behind."""
    if _running:
        _running[-1]._hear_of_signals()


def _in_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


def _say_and_leave() -> None:
    with contextlib.suppress(OSError):
        os.write(2, _SAID)
    os._exit(INTERRUPTED)
