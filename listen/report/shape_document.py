"""The shape of the wave in the JSON document."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from listen.circuit import Quantity, WaveFigures

ALONG = (
    *("f0_hz", "rise_percent", "duty_percent", "reset_us", "corner_us", "bow_percent", "glitch_percent"),
    *("shaper_offset_percent", "shaper_h2_dbc", "shaper_h3_dbc"),
)
"""Names of a row against pitch; None where a wave has no such thing."""


def shape_document(figures: WaveFigures) -> dict[str, Any]:
    """Return the shape as its schema has it.

    Parameters
    ----------
    figures : WaveFigures
    """
    return {
        "wave": figures.wave,
        **{name: quantity_document(quantity) for name, quantity in figures.quantities.items()},
        "along": [{name: row.get(name) for name in ALONG} for row in figures.along],
    }


def quantity_document(quantity: Quantity) -> dict[str, Any]:
    """Return one quantity: its value with what is known of its error, or why there is none."""
    return {
        "value": quantity.value,
        "sigma": quantity.sigma,
        "bound": quantity.bound,
        "where": asdict(quantity.where) if quantity.where is not None else None,
        "from": quantity.source,
        "why": quantity.why,
    }
