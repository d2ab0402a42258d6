"""Clip levels of a fitted curve: of each rail that the wave reaches."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from listen.circuit import limiter, loop
from listen.circuit.curve_fit import CurveFit, OutputLines, handed_back, weights

OPENED = 1.0
"""Added to the logarithm of a clip level: at 2.7 times it no wave of the loop comes near."""

Clip = tuple[float, float]


def curve_clips(fit: CurveFit, lines: OutputLines) -> tuple[Clip | None, Clip | None]:
    """Clip levels of the negative and of the positive half; None where the wave does not reach them.

    A level somewhat over the crests fits as well as one far away: a rail is reached where the harmonics would be
    missed by more than the price of a number (Schwarz's criterion) without it.

    Parameters
    ----------
    fit : CurveFit
    lines : OutputLines
        Complete, see `completed`.
    """
    if not fit.stages.rails:
        return None, None
    node, curve_lines, _ = handed_back(lines, fit.common, fit.log_need)
    driven = loop.cycles(node) * np.exp(-fit.log_need)[:, None]
    scale, seen = weights(lines)

    def missed(numbers: NDArray[np.floating]) -> float:
        off = loop.harmonics(limiter.output(fit.stages, numbers, driven)) - curve_lines[:, : loop.ORDERS]
        return float(np.sum(np.abs(off * scale * fit.weight) ** 2))

    now, free = missed(fit.numbers), list(fit.stages.free)
    out: list[Clip | None] = []
    for sign, number in ((-1.0, limiter.LOG_BOTTOM), (1.0, limiter.LOG_TOP)):
        if number not in free:
            out.append(None)
            continue
        level = float(np.exp(fit.numbers[number]))
        sigma = float(np.sqrt(max(fit.covariance[free.index(number), free.index(number)], 0.0)))
        opened = fit.numbers.copy()
        opened[number] += OPENED
        out.append((sign * level, level * sigma) if missed(opened) - now > math.log(seen) else None)
    return out[0], out[1]
