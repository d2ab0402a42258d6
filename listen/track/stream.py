"""The newest rows of a stream as it goes on: what stays as it was is not measured again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.bench import RecorderSettings
from listen.track.chunk import margin_samples, measure_chunk
from listen.track.phase import RoughCurve, phase_samples, rough_curve
from listen.track.phase_discontinuities import MOST_DIFFERENT, SHORTEST_PERIOD, RuledOut
from listen.track.pitch_estimate import CoarseTrack, coarse_chunk, coarse_margin, hop_samples
from listen.track.recorder import coupling_db, without_hidden_harmonics, without_recorder_response
from listen.track.rows import RowSettings
from listen.track.segments import Reader, Segment, find_segments
from listen.track.table import FrameTable
from listen.track.tracker import SampleSource, one_thread_each, padded_reader
from listen.track.types import ROW_EVERY_S, Doubles, Floats, Frames

_REMEMBERED_S = 3.0
"""Speech has a place to test for missing samples every 15 ms, each dearer than all else of a reading. Those who show
readings count what is missing by the clock."""
_PART_S = 0.02
"""Of a false tone: as long as a row."""
_EVERY = 4
"""Samples from one to the next that is compared: there are then 240 in a part, and noise scatters by a tenth."""
_CACHED_HOPS = 64
"""Hops before the first of a call that are kept, 2.6 s: the next call may look further back."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewestRows:
    """Those columns of `Frames` that a reading shows, of the newest rows.

    Attributes
    ----------
    time_s, f0_hz, f0_sigma_cents, level_dbfs, thd_percent, crest_positive, crest_negative : ndarray, shape (n,)
    harmonics_dbc : ndarray, shape (n, 9)
    oscillating : ndarray of bool, shape (n,)
    """

    time_s: Doubles
    f0_hz: Doubles
    f0_sigma_cents: Doubles
    oscillating: NDArray[np.bool_]
    level_dbfs: Doubles
    thd_percent: Doubles
    harmonics_dbc: Doubles
    crest_positive: Doubles
    crest_negative: Doubles


class StreamTracker:
    """Tracks the end of a stream.

    Parameters
    ----------
    rate_hz : float
        Samples a second.
    """

    def __init__(self, rate_hz: float) -> None:
        self._ruled_out = RuledOut(remembered_samples=round(_REMEMBERED_S * rate_hz))
        self._coarse: Floats = np.empty((0, 4))
        self._first_hop = 0

    def newest(
        self, source: SampleSource, start: int, rows_from: int, recorder: RecorderSettings | None = None
    ) -> NewestRows | Frames:
        """Track the last samples of what has come.

        Parameters
        ----------
        source : SampleSource
            What is still there of the stream, to its last sample.
        start : int
            Sample from which on it is looked for tones: a tone is followed from its beginning or from here.
        rows_from : int
            Rows before this sample are not measured.
        recorder : RecorderSettings or None
            What is taken off the rows.

        Returns
        -------
        NewestRows or Frames
            Rows as those of `track`; all columns where the recorder's own harmonics have to be told apart.
        """
        rate_hz, hop = source.true_rate_hz, hop_samples(source.true_rate_hz)
        first, last = -(-max(start, source.start_sample) // hop) * hop, source.stop_sample
        read = padded_reader(source, first, last)
        with one_thread_each():
            segments = find_segments(self._hops(source, first // hop), rate_hz, first, last, read)
            rows_from = min(max(first, rows_from), last)
            low = max(first, rows_from - margin_samples(segments, rows_from, last, rate_hz, around_rows=0))
            late = [(i, segment) for i, segment in enumerate(segments) if segment.stop > rows_from]
            near = [(i, segment, rough_curve(segment, rate_hz)) for i, segment in late]
            if (
                len(segments) != 1 or segments[0].start > low or segments[0].stop < last
            ):  # else it is a tone that goes on
                near = [one for one in near if _periodic(read, one[1], one[2], rows_from, rate_hz)]
            settings = RowSettings(rate_hz=rate_hz, coupling_hz=source.ac_coupling_hz, around_rows=0)
            table = FrameTable(segments, rate_hz, rows_from, last, ROW_EVERY_S)
            table.add(measure_chunk(read(low, last), low, rows_from, last, near, settings, self._ruled_out))
            return _corrected(table, source.ac_coupling_hz, recorder)

    def _hops(self, source: SampleSource, first: int) -> CoarseTrack:
        """Rough pitch from hop ``first`` on. Hops whose samples have all come are kept."""
        rate_hz = source.true_rate_hz
        hop, margin = hop_samples(rate_hz), coarse_margin(rate_hz)
        if not self._first_hop <= first <= self._first_hop + len(self._coarse):
            self._coarse, self._first_hop = self._coarse[:0], first
        begin = self._first_hop + len(self._coarse)
        end = max(begin + 1, (source.stop_sample - 1) // hop + 1)
        read = padded_reader(source, source.start_sample, source.stop_sample)
        hops = coarse_chunk(read(begin * hop - margin, (end - 1) * hop + margin + 1), rate_hz, end - begin)
        hops = np.concatenate([self._coarse, hops])
        whole = max(begin, (source.stop_sample - margin - 1) // hop + 1)
        forgotten = max(0, first - self._first_hop - _CACHED_HOPS)
        self._coarse = hops[forgotten : whole - self._first_hop]
        found = hops[first - self._first_hop :]
        self._first_hop += forgotten
        return CoarseTrack(
            hop_samples=hop,
            first_sample=first * hop,
            f0_hz=found[:, 0],
            normalised_difference=found[:, 1],
            power=found[:, 2],
            strongest_hz=found[:, 3],
        )


def _periodic(read: Reader, segment: Segment, rough: RoughCurve, rows_from: int, rate_hz: float) -> bool:
    """Whether a segment holds a tone anywhere, by the difference between each cycle and the next.

    The rough pitch is sought in a band, and finds tones in noise, dear to measure, of which no row remains: a row has a
    tone where the harmonics have five times the power of the rest.
    """
    part = round(_PART_S * rate_hz)
    a, b = int(max(segment.start, rows_from - part)), int(segment.stop)
    longest = 1.0 / float(rough.slopes.min())
    if 1.0 / float(rough.slopes.max()) < SHORTEST_PERIOD or b - a < part + longest:
        return True
    x = read(a, b)
    x = x - x.mean()
    phase = phase_samples(rough.samples, rough.turns, rough.slopes, a, b - a).phase
    places = np.arange(0, int(np.searchsorted(phase, phase[-1] - 1.0)), _EVERY)
    off = np.interp(phase[places] + 1.0, phase, x) - x[places]
    parts = np.arange(0, len(places), part // _EVERY)
    power = np.add.reduceat(x[places] ** 2, parts)
    return bool((np.add.reduceat(off**2, parts) <= 2.0 * MOST_DIFFERENT * power).any())


def _corrected(table: FrameTable, coupling_hz: float | None, recorder: RecorderSettings | None) -> NewestRows | Frames:
    """Close the table; coupling and recorder are taken off the rows."""
    if recorder is not None:
        return without_hidden_harmonics(without_recorder_response(table.frames(), recorder, coupling_hz), recorder)
    columns = table.newest()
    if coupling_hz:
        columns["level_dbfs"] += coupling_db(columns["f0_hz"], columns["oscillating"], coupling_hz)
    return NewestRows(**columns)
