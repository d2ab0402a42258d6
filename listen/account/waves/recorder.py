"""What of a wave's times would be left if the recorder had the low-pass of an ordinary one."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves.fit import CycleFit, fit_cycle
from listen.account.waves.gather import WaveBin
from listen.account.waves.read import WaveShape

Floats = NDArray[np.floating[Any]]

ORDINARY_HZ = 110e3
"""An ordinary recorder's own first-order low-pass (common practice, no source)."""


def times_without_recorder(shape: WaveShape) -> tuple[Floats, Floats]:
    """Reset and corner of each bin, in seconds, behind a recorder of an ordinary low-pass; NaN where there is none."""
    fits = [_without(bin_, fit) for bin_, fit in zip(shape.bins, shape.fits, strict=True)]
    share = np.array([fit.cycle.share for fit in fits])
    corner = np.array([fit.cycle.corner if "corner" in fit.free else np.nan for fit in fits])
    reset = np.minimum(share, 1 - share) if shape.wave == "sawtooth" else np.full(len(fits), np.nan)
    return reset / shape.f0_hz, corner / shape.f0_hz


def _without(bin_: WaveBin, fit: CycleFit) -> CycleFit:
    k = np.arange(1, len(bin_.lines) + 1)
    lines = bin_.lines * (1.0 + 1j * k * bin_.f0_hz / ORDINARY_HZ)
    # the low-pass is above all a delay: the place of the foot is sought anew
    earlier = fit.delay - bin_.f0_hz / (2 * np.pi * ORDINARY_HZ)
    return fit_cycle(lines, bin_.sigma, fit.cycle, fit.free, gradual=False, delay=earlier)
