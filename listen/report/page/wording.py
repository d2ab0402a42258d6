"""The words of the page, in one file, so that they can be translated."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any


@cache
def words() -> Mapping[str, Any]:
    """Return the words file as nested mappings."""
    with (Path(__file__).parent / "words.toml").open("rb") as file:
        return tomllib.load(file)


def say(path: str, **values: object) -> str:
    """Return one text of the words file with its values filled in.

    Parameters
    ----------
    path : str
        Keys joined by dots, for example ``chart.start.title``.
    **values
        What stands in braces.

    Examples
    --------
    >>> say("sound.raised", db=34)
    'raised by 34 dB'
    """
    found: Any = words()
    for key in path.split("."):
        found = found[key]
    return str(found).format(**values) if values else str(found)


def title_of(name: str, wave: str) -> str:
    """Return the title of a chart: the one for the intended wave where it has one of its own."""
    texts = words()["chart"][name]
    return str(texts.get(f"title_{wave}", texts["title"]))
