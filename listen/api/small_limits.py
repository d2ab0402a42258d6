"""Limits that look like fractions where per cent are meant: asked about before any work is done."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

from listen.bench import read_toml
from listen.errors import LimitsError
from listen.findings import all_kinds

_SMALL_SHARE = 0.1
"""A limit in per cent below this part of the usual one is asked about: a fraction is a hundredth of it."""


def ask_about_fractions(path: str | os.PathLike[str]) -> None:
    """Refuse a file of limits that has a fraction where per cent are meant.

    Parameters
    ----------
    path : path
        A user's file of limits; what else is wrong with it is said where it is used.

    Raises
    ------
    LimitsError
        A limit in per cent is far below the usual one; the text says how to confirm it.
    """
    for kind, row in read_toml(path, LimitsError, "limits file").items():
        for key, value, usual in _in_percent(kind, row):
            if 0.0 < value < _SMALL_SHARE * usual:
                raise LimitsError(
                    f"{os.fspath(path)}: [{kind}] {key} = {value:g} is {value:g} %; were {100.0 * value:g} % meant?",
                    f"write {key} = {100.0 * value:g}, or add --small-limits if {value:g} % is meant",
                )


def _in_percent(kind: str, row: Any) -> Iterator[tuple[str, float, float]]:
    """Yield key, value and usual value of the limits of a kind, where its unit is per cent."""
    known = all_kinds().get(kind)
    if known is None or not isinstance(row, dict) or not known.unit.startswith("%"):
        return
    for key, value in row.items():
        if key in known.limits and isinstance(value, (int, float)) and not isinstance(value, bool):
            yield key, float(value), float(known.limits[key])
