"""Memory that is no longer needed."""

from __future__ import annotations

import ctypes
import sys


def give_back_memory() -> None:
    """Return freed memory to the system where its C library can: threads' heaps keep theirs otherwise."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)
