"""The words of a calibration, filled in from ``advice.toml``, and its numbers as text."""

from __future__ import annotations

from functools import cache
from pathlib import Path


@cache
def _words() -> dict[str, dict[str, str]]:
    import tomllib

    return tomllib.loads((Path(__file__).parent / "advice.toml").read_text(encoding="utf-8"))


def phrase(table: str, key: str, **values: object) -> str:
    """Return a sentence of ``advice.toml`` with its names filled in."""
    return _words()[table][key].format(**values)


def cents_text(value: float) -> str:
    """Write the size of an error: two decimals below a cent, one up to a hundred, none beyond."""
    size = abs(value)
    return f"{size:.2f}" if size < 1.0 else f"{size:.1f}" if size < 99.95 else f"{size:.0f}"


def volts_text(value: float) -> str:
    """Write a voltage to the millivolt, without idle zeros."""
    return (f"{value:.3f}".rstrip("0").rstrip(".")) if abs(value) >= 0.0005 else "0"
