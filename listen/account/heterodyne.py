"""Level of one tone among others: heterodyned to zero frequency by its own phase, then low-pass filtered."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.lowrate import SampleSource
from listen.account.tone import BoardTone

Floats = NDArray[np.floating[Any]]


def tone_amplitude(
    capture: SampleSource, tone: BoardTone, start_s: float, end_s: float, cycles: float, least_s: float
) -> tuple[Floats, Floats]:
    """Peak amplitude of the fundamental at the tone's (or the last known) pitch, in the presence of other sounds.

    Parameters
    ----------
    capture : Samples
    tone : BoardTone
        Gives the pitch; the last one where there is no tone.
    start_s, end_s : float
    cycles, least_s : float
        The averaging window (Hann) is so many cycles long, and no shorter than this.

    Returns
    -------
    time_s, amplitude_fs : ndarray, shape (n,)
        Every quarter of a window.
    """
    rate = capture.true_rate_hz
    middle = float(np.interp(0.5 * (start_s + end_s), tone.time_s, tone.f0_hz))
    width = max(8, round(max(cycles / middle, least_s) * rate))
    hop = max(1, width // 4)
    first = max(capture.start_sample, int(start_s * rate) - width // 2)
    last = min(capture.stop_sample, int(end_s * rate) + width // 2)
    if last - first < width:
        return np.empty(0), np.empty(0)
    x = capture.read(first, last)
    times = (first + np.arange(len(x))) / rate
    turns = np.cumsum(np.interp(times, tone.time_s, tone.f0_hz)) / rate
    turned = (x - x.mean()) * np.exp(-2j * np.pi * turns)
    # a Hann window of four hops is a sum over quarters: blocks first, then the window over their sums with sub-blocks
    block = max(1, width // 32)
    count = len(turned) // block
    sums = turned[: count * block].reshape(count, block).sum(axis=1)
    window = np.hanning(max(3, width // block) + 2)[1:-1]
    smooth = np.convolve(sums, window / (window.sum() * block), mode="valid")
    step = max(1, hop // block)
    centre = (first + (np.arange(len(smooth)) + 0.5 * len(window)) * block - 0.5) / rate
    return centre[::step], 2.0 * np.abs(smooth[::step])
