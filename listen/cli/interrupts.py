"""Ctrl-C and a polite kill: one line, status 130, nothing after it, whatever the program was doing."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import warnings
from collections.abc import Iterator
from types import FrameType
from typing import Any

INTERRUPTED = 130
_SAID = b"listen: interrupted\n"
_GRACE_S = 0.7
"""So long after SIGTERM there is time to unwind: it has ended within a second, even from within a long computation."""
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

    def take_signals(self) -> None:
        """Take the signals that have their usual effect."""
        for number, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGTERM, signal.SIG_DFL)):
            if (
                _in_main_thread() and signal.getsignal(number) == usual
            ):  # a shell lets jobs in the background ignore one
                signal.signal(number, self._stop)
        self._watch_for_the_kill()

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
        signal.set_wakeup_fd(wakeup_end, warn_on_full_buffer=False)
        with contextlib.suppress(RuntimeError):  # no more threads: then it unwinds as soon as it can
            threading.Thread(target=self._end_in_time, args=(read_end,), daemon=True, name="listen-kill").start()

    def _end_in_time(self, heard: int) -> None:
        while number := os.read(heard, 1):
            # while a take is recorded, another handler has the word: the take is kept and checked
            if number[0] == signal.SIGTERM and signal.getsignal(signal.SIGTERM) == self._stop:
                threading.Event().wait(_GRACE_S)
                if self._status is not None:
                    os._exit(self._status)
                _say_and_leave()


def _in_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


def _say_and_leave() -> None:
    with contextlib.suppress(OSError):
        os.write(2, _SAID)
    os._exit(INTERRUPTED)
