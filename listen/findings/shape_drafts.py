"""The parts that bend a sine against the limits."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.shape import Shape
from listen.findings.draft import Draft
from listen.findings.limits import Limits, severity_of
from listen.findings.over import draft_of, stretches_over
from listen.findings.types import Half
from listen.sorting import quantile
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Facts = dict[str, float | int | str | bool]

_LEAST_BOTH = 0.01
"""Both halves are flattened where each loses a hundredth."""
_FEW_ORDERS = 5
"""With fewer harmonics in the file a knee or a dead band is told by its harmonics alone."""
_HALF_FROM = 0.01
_CERTAIN_FROM_HZ = 200.0
"""Ten times the highest ordinary corner of an input's coupling: above, it turns nothing much."""


def shape_drafts(frames: Frames, shape: Shape, limits: Limits, coupling_known: bool) -> list[Draft]:
    """Findings of shape for an intended sine, from the parts of one model.

    Parameters
    ----------
    frames : Frames
    shape : Shape
    limits : mapping
    coupling_known : bool
    """
    sizes, rows = shape.sizes, shape.rows
    f0 = frames.f0_hz
    enough = shape.bins.fits[:, _FEW_ORDERS - 2].any()
    out: list[Draft] = []
    positive, negative = (sizes.at(v, f0) for v in (sizes.positive_loss, sizes.negative_loss))
    knees = sizes.hard and bool(enough)
    both = np.minimum(positive, negative) if knees else np.zeros(len(f0))
    told_even, told_odd = np.zeros(len(f0), dtype=bool), np.zeros(len(f0), dtype=bool)

    def add(kind: str, values: Floats, facts: Any, **more: Any) -> Flags:
        told = np.zeros(len(f0), dtype=bool)
        row = limits[kind]
        for span, over in stretches_over(frames, values, rows, row["attention"]):
            worst = quantile(values[over], 0.95)
            severity = severity_of(max(worst, row["attention"]), row)
            if severity is not None:
                out.append(draft_of(frames, span, over, kind, severity, facts(worst, over), **more))
                told |= over
        return told

    short = sizes.at(sizes.slope_short, f0)
    told_odd |= add(
        "slew-limiting",
        100 * short,
        lambda worst, _: {"slope_short_percent": worst, "slope_fs_per_s": sizes.slope_fs_per_s},
    )
    if enough:
        told_odd |= add("crossover-distortion", 100 * sizes.at(sizes.dead, f0), lambda worst, _: {"dead_band_percent": worst})
    if knees:
        lost = 100 * np.where(both >= _LEAST_BOTH, both, 0.0)
        told_odd |= add(
            "symmetric-clipping",
            lost,
            lambda worst, over: {"crest_loss_percent": worst, "flat_over_sine": _flat(sizes, f0, over, "both")},
            half="both",
        )
        for half, own, other in (("positive", positive, negative), ("negative", negative, positive)):
            more = 100 * np.where(own > other, 1 - (1 - own) / (1 - np.minimum(other, own)), 0.0)
            certain = coupling_known or shape.bins.f0_hz.max() >= _CERTAIN_FROM_HZ
            told = add(
                "asymmetric-clipping",
                more,
                lambda worst, over, h=half: {  # type: ignore[misc]
                    "crest_loss_percent": worst,
                    "flat_over_sine": _flat(sizes, f0, over, h),
                    "other_crest_over_sine": _other(sizes, f0, over, h),
                },
                half=half,
                half_certain=certain,
                variant="plain" if certain else "probably",
            )
            told_even |= told
            told_odd |= told
    out += _curved(frames, shape, limits, told_even, told_odd, knees, bool(enough))
    return out


def _flat(sizes: Any, f0: Floats, rows: Flags, half: str) -> float:
    column = sizes.flat_negative if half == "negative" else sizes.flat_positive
    return float(np.median(sizes.at(column, f0)[rows]))


def _other(sizes: Any, f0: Floats, rows: Flags, half: str) -> float:
    column = sizes.crest_negative if half == "positive" else sizes.crest_positive
    return float(np.median(sizes.at(column, f0)[rows]))


def _curved(
    frames: Frames, shape: Shape, limits: Limits, told_even: Flags, told_odd: Flags, knees: bool, enough: bool
) -> list[Draft]:
    """Even and odd curves: by their own size where another part of that parity is told, else by what was measured."""
    sizes, f0 = shape.sizes, frames.f0_hz
    soft = not knees
    own_even, own_odd = sizes.at(sizes.even, f0), sizes.at(sizes.odd, f0)
    measured_even, measured_odd = sizes.at(sizes.measured_even, f0), sizes.at(sizes.measured_odd, f0)
    del soft, enough
    out: list[Draft] = []
    for kind, own, measured, told, name in (
        ("even-order-distortion", own_even, measured_even, told_even, "even_percent"),
        ("odd-order-distortion", own_odd, measured_odd, told_odd, "odd_percent"),
    ):
        row = limits[kind]
        anywhere = told.any()
        values = 100 * (own if anywhere else measured)
        for span, over in stretches_over(frames, values, shape.rows, row["attention"]):
            worst = quantile(values[over], 0.95)
            severity = severity_of(max(worst, row["attention"]), row)
            if severity is None:
                continue
            facts: Facts = {name: worst}
            up = float(np.median(sizes.at(sizes.crest_positive, f0)[over]))
            down = float(np.median(sizes.at(sizes.crest_negative, f0)[over]))
            half: Half | None = None
            variant = "plain"
            if kind.startswith("even"):
                loss = 1 - min(up, down) / max(up, down)
                facts["crest_loss_percent"] = 100 * loss
                half = ("positive" if up < down else "negative") if loss > _HALF_FROM else None
                variant = "plain" if half else "leaning"
            else:
                facts["crest_loss_percent"] = 100 * (1 - max(up, down))
                variant = "peaked" if min(up, down) > 1.0 else "rounded"
            out.append(draft_of(frames, span, over, kind, severity, facts, half=half, variant=variant))
    return out
