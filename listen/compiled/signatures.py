"""What a kernel takes and gives, written as its compiler writes it: ``i8(f8[::1], f4[:, ::1], i8, f8)``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

_TYPES: dict[str, type[np.generic]] = {"f8": np.float64, "f4": np.float32, "i8": np.int64, "i4": np.int32}
_ONE = re.compile(r"\s*(f8|f4|i8|i4)(\[(?::\s*,\s*)*::1\])?\s*(?:,|$)")


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument: a number, or an array in C order.

    Attributes
    ----------
    dtype : numpy.dtype
    axes : int
        0: a number.
    """

    dtype: np.dtype[Any]
    axes: int


@dataclass(frozen=True, slots=True)
class Signature:
    """Arguments, and whether a whole number is given back."""

    text: str
    takes: tuple[Argument, ...]
    gives: bool


def parse(text: str) -> Signature:
    """Read a signature.

    Raises
    ------
    ValueError
        It is not of the form ``result(argument, ...)``, or a type is none of f8, f4, i8, i4 and arrays of these.
    """
    result, _, rest = text.partition("(")
    if not rest.endswith(")") or result not in {"void", "i8"}:
        raise ValueError(f"{text!r} is no signature: write void(f8[::1], i8)")
    rest = rest[:-1]
    takes = []
    at = 0
    while at < len(rest):
        found = _ONE.match(rest, at)
        if found is None:
            raise ValueError(f"{rest[at:]!r} in {text!r} is no type of an argument")
        name, axes = found.groups()
        takes.append(Argument(np.dtype(_TYPES[name]), axes.count(":") - 1 if axes else 0))
        at = found.end()
    return Signature(text, tuple(takes), result == "i8")
