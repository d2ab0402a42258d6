"""The bench file that lies beside a capture."""

from __future__ import annotations

import os
from pathlib import Path

BESIDE = "bench.toml"


def bench_beside(path: str | os.PathLike[str]) -> Path | None:
    """Return the bench file beside a capture, where there is one.

    Parameters
    ----------
    path : path
        The capture.

    Returns
    -------
    Path or None
    """
    if os.fspath(path) == "-":  # standard input lies nowhere
        return None
    beside = Path(path).parent / BESIDE
    try:
        return beside if beside.is_file() else None
    except (OSError, ValueError):  # a name that the system cannot even look up
        return None
