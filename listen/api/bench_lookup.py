"""The bench file that lies beside a capture."""

from __future__ import annotations

import os
from pathlib import Path

BENCH_FILE = "bench.toml"


def find_bench_file(path: str | os.PathLike[str]) -> Path | None:
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
    path_found = Path(path).parent / BENCH_FILE
    try:
        return path_found if path_found.is_file() else None
    except (OSError, ValueError):  # a name that the system cannot even look up
        return None
