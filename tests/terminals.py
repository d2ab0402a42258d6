"""Pseudo-terminals for the tests: where the system gives out none, a skip that says so, and a failure in .ci/run."""

from __future__ import annotations

import os
import pty

import pytest


def open_terminal() -> tuple[int, int]:
    """Descriptors of a terminal of its own: the one that sees what is sent, and the command's."""
    try:
        return pty.openpty()
    except OSError as error:
        reason = f"the system gives out no pseudo-terminal, is /dev/pts mounted? ({error})"
    if os.environ.get("LISTEN_TERMINAL") == "required":
        pytest.fail(reason)
    pytest.skip(reason)


def needs_terminals() -> None:
    """Skip where there are none."""
    for handle in open_terminal():
        os.close(handle)
