"""Places in a take as a person reads them on the page."""

from __future__ import annotations

import os

from listen.units import third_index, third_nominal_hz


def name_of(path: str | os.PathLike[str]) -> str:
    """Write a file's name without its folders.

    Examples
    --------
    >>> name_of("/some/where/take.wav"), name_of("-")
    ('take.wav', 'standard input')
    """
    text = os.fspath(path)
    return "standard input" if text == "-" else os.path.basename(text) or text


def interval(start_s: float, end_s: float) -> str:
    """Write a span of a take; hundredths, because one looks it up in an editor. What is shorter is a place.

    Examples
    --------
    >>> interval(5.118, 9.8), interval(5.118, 5.121)
    ('5.12 to 9.80 s', 'at 5.12 s')
    """
    start, end = f"{start_s:.2f}", f"{end_s:.2f}"
    return f"at {start} s" if start == end else f"{start} to {end} s"


def rate(rate_hz: float) -> str:
    """Write a sample rate.

    Examples
    --------
    >>> rate(44100.0), rate(8000.0)
    ('44.1 kHz', '8 kHz')
    """
    return f"{rate_hz / 1000.0:.6g} kHz"


def third(low_hz: float, high_hz: float) -> float:
    """Return the centre that people write for a third of an octave, from its edges.

    Examples
    --------
    >>> third(141.25, 177.83)
    160.0
    """
    return third_nominal_hz(third_index((low_hz * high_hz) ** 0.5))
