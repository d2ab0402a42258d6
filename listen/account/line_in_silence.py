"""Whether a line beside the tone sounds where the tone does not: then it is the recording's, and no part of the build.

In the tone's rests its skirts hide what is so near to it from the search for lines at one frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.fixed_lines import IN_SILENCE
from listen.account.lowrate import SampleSource
from listen.account.modulation import Swing
from listen.account.tone import BoardTone
from listen.sorting import median

Floats = NDArray[np.floating[Any]]

_WINDOW_S = 0.25
"""A Hann line is then 8 Hz wide on each side: a line whose frequency is known to 0.5 / 0.4 Hz, of the shortest rest, is
read at 94 % (Hann)."""
_FEWEST = 2
"""Windows of silence that must lie in the take."""
_OVER_NEIGHBOURS_DB, _NEIGHBOUR_BINS = 13.0, (3, 4, 5)
"""Over the loudest of some bins on each side, as of lines at one frequency: hum and hiss have no such line."""


def marked_in_silence(capture: SampleSource, tone: BoardTone, swings: Sequence[Swing]) -> tuple[Swing, ...]:
    """The same swings; of lines beside the tone with whether they are there in silence.

    Parameters
    ----------
    capture : Samples
    tone : BoardTone
    swings : sequence of Swing
    """
    if not any(swing.one_sided for swing in swings):
        return tuple(swings)
    windows = _silent_windows(capture, tone)
    if len(windows) < _FEWEST:
        return tuple(swings)
    return tuple(
        replace(swing, in_silence=_is_there(windows, capture.true_rate_hz, swing, tone)) if swing.one_sided else swing
        for swing in swings
    )


def _silent_windows(capture: SampleSource, tone: BoardTone) -> list[Floats]:
    """Samples of the windows in which nothing of the tone is."""
    rate = capture.true_rate_hz
    size = round(_WINDOW_S * rate)
    starts = range(capture.start_sample, capture.stop_sample - size, size)
    begin = np.searchsorted(tone.time_s, np.array(starts) / rate - tone.grid_s)
    end = np.searchsorted(tone.time_s, (np.array(starts) + size) / rate + tone.grid_s)
    silent = [not tone.strong[a:b].any() for a, b in zip(begin.tolist(), end.tolist(), strict=True)]
    return [capture.read(start, start + size) for start, quiet in zip(starts, silent, strict=True) if quiet]


def _is_there(windows: list[Floats], rate_hz: float, swing: Swing, tone: BoardTone) -> bool:
    """Whether most windows hold the line, at about its level under the tone."""
    size = len(windows[0])
    window = np.hanning(size + 1)[:-1]
    bins = np.concatenate([[0.0], _NEIGHBOUR_BINS, -np.array(_NEIGHBOUR_BINS, dtype=float)]) / _WINDOW_S
    turns = np.exp(-2j * np.pi * np.outer(swing.line_hz + bins, np.arange(size)) / rate_hz)
    amplitude = np.abs(np.array([turns @ (window * (x - x.mean())) for x in windows])) * 2.0 / window.sum()
    under_tone = swing.depth * float(np.exp(median(tone.log_level[swing.segment.first : swing.segment.stop])))
    own, neighbours = median(amplitude[:, 0]), median(amplitude[:, 1:].max(axis=1))
    return bool(own > IN_SILENCE * under_tone and own > 10 ** (_OVER_NEIGHBOURS_DB / 20) * neighbours)
