"""Rows of all chunks assembled: pitch corrected for curvature, envelope joined."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.track.chunk import Chunk, ShortFrames
from listen.track.hum import HumLines, block_samples
from listen.track.levels import Column, level_columns, newest_columns
from listen.track.residual import HALF_ORDERS, PHASE_BINS
from listen.track.rows import Rows
from listen.track.segments import Segment
from listen.track.types import HARMONIC_COLUMNS, Envelope, Floats, Frames, PhaseStep

Each = Callable[..., Iterable[Any]]
"""``map`` or the like, possibly in several threads."""
_CURVATURE = 0.5 * (1.0 / 12.0 - 1.0 / (2.0 * np.pi**2))
"""Half the mean of v^2 under the frame's window: the bias of the mean pitch by its curvature."""
_STEP_S = 0.012
MOST_ROWS = 180_000
"""An hour of rows. Of a longer take every n-th row is stored, so that memory stays bounded."""


class FrameTable:
    """Rows of a capture, filled chunk by chunk; `frames` closes it.

    Of a take of more than ``most`` rows every n-th is kept, with its pitch as all rows together give it; of the
    envelope one in n values, the one that departs furthest from its neighbours.
    """

    def __init__(
        self, segments: list[Segment], rate_hz: float, first: int, last: int, hop_s: float, most: int = MOST_ROWS
    ) -> None:
        self._segments, self._rate_hz, self._hop_s = segments, rate_hz, hop_s
        hop = hop_s * rate_hz
        self._start_row = int(np.ceil(first / hop))
        self._n = max(0, int(np.ceil(last / hop)) - self._start_row)
        self._every = max(1, -(-self._n // most))
        self._columns = _empty(self._n, self._every)
        self._quiet: list[Floats] = []
        self._hum = HumLines(rate_hz / block_samples(rate_hz), first / rate_hz)
        self._short: list[ShortFrames] = []
        self._steps: list[PhaseStep] = []

    def add(self, chunk: Chunk) -> None:
        """Add one chunk; chunks come in order of time."""
        for rows in chunk.rows:
            _put_rows(self._columns, rows, self._start_row, self._every)
        self._quiet.append(chunk.quiet_power)
        self._hum.add(chunk.low)
        self._short.extend(_thinned(short, self._every) for short in chunk.short)
        self._steps.extend(chunk.steps)

    def frames(self, each: Each = map) -> Frames:
        """Close the table; ``each`` may work on several things at once, which takes memory for all of them."""
        n, rate_hz, hop_s, every = self._n, self._rate_hz, self._hop_s, self._every
        time_s: Column = (self._start_row + np.arange(0, n, every)) * hop_s
        table = self._settled(time_s)
        quiet = np.concatenate(self._quiet)[:n:every] if self._quiet else np.empty(0)
        self._quiet = []
        self._columns = {}

        def work() -> Iterator[Callable[[], Any]]:
            # sequential steps release their memory before the next
            yield lambda: _envelope(self._take_short_frames(), self._segments, quiet, time_s, hop_s * every, rate_hz)
            yield self._hum.lines
            yield partial(level_columns, table, quiet, rate_hz)

        envelope, hum, columns = each(_called, work())
        for column in columns.values():
            column.flags.writeable = False
        return Frames(
            sample_rate_hz=rate_hz,
            time_s=time_s,
            hum_time_s=hum[0],
            hum_dbfs=hum[1],
            hum_floor_dbfs=hum[2],
            envelope=envelope,
            phase_steps=tuple(self._steps),
            **columns,
        )

    def newest(self) -> dict[str, Column]:
        """Close the table of a short span: the columns of `NewestRows` alone."""
        time_s: Column = (self._start_row + np.arange(self._n)) * self._hop_s
        quiet = np.concatenate(self._quiet)[: self._n] if self._quiet else np.empty(0)
        return newest_columns(self._settled(time_s), quiet) | {"time_s": time_s}

    def _settled(self, time_s: Floats) -> dict[str, Column]:
        """Rows of which each has all that its neighbours tell of it."""
        table, every = self._columns, self._every
        table["f0"] = _straightened(table, self._hop_s)[::every]
        for name in _OF_ALL_ROWS[1:]:
            table[name] = table[name][::every].copy()
        table["noise"] = _filled(table["noise"], table["segment"])
        table["centred"] &= ~_at_steps(self._segments, time_s, self._rate_hz)
        return table

    def _take_short_frames(self) -> list[ShortFrames]:
        short, self._short = self._short, []
        return short


def _called(work: Callable[[], Any]) -> Any:
    return work()


_OF_ALL_ROWS = ("f0", "frame_s", "segment")
"""Columns that hold every row until the pitch is straightened."""


def _empty(n: int, every: int) -> dict[str, Column]:
    """An empty table of ``n`` rows, or of every ``every``-th."""
    rows = -(-n // every)
    table: dict[str, Column] = {name: np.full(n if name in _OF_ALL_ROWS else rows, np.nan) for name in _PLAIN}
    table["harmonics"] = np.full((rows, HARMONIC_COLUMNS), np.nan, dtype=complex)
    table["shape"] = np.full((rows, 5), np.nan)
    table["fold"] = np.full((rows, 2, PHASE_BINS), np.nan, dtype=np.float32)
    table["half_orders"] = np.full((rows, HALF_ORDERS), np.nan, dtype=np.complex64)
    table["count"] = np.zeros(rows, dtype=np.int64)
    table["segment"] = np.full(n, -1, dtype=np.int64)
    table["centred"] = np.zeros(rows, dtype=bool)
    return table


_PLAIN = {
    "f0": "f0_hz",
    "sigma": "f0_sigma_hz",
    "frame_s": "frame_s",
    "power": "power",
    "noise": "noise_power",
    "half": "half_power",
    "half_noise": "half_noise",
    "spur": "spur_power",
    "spur_order": "spur_order",
    "high": "high_power",
    "high_order": "high_order",
    "dc": "dc_fs",
}
_OTHER = {
    "harmonics": "harmonics",
    "shape": "shape",
    "fold": "residual_fold",
    "half_orders": "half_orders",
    "count": "count",
    "centred": "centred",
}


_ATTRIBUTES = _PLAIN | _OTHER
"""Columns of the table, by the names that they have in `Rows`."""


def _put_rows(table: dict[str, Column], rows: Rows, start_row: int, every: int) -> None:
    # rows are contiguous: those in the table are a slice of them
    low = max(0, start_row - int(rows.row[0]))
    high = min(len(rows.row), start_row + len(table["segment"]) - int(rows.row[0]))
    if high <= low:
        return
    at = int(rows.row[0]) - start_row + low
    # of these every so many are kept
    first = low + -at % every
    place = (at + first - low) // every
    count = len(range(first, high, every))
    for name, attribute in _ATTRIBUTES.items():
        values = getattr(rows, attribute)
        if name in _OF_ALL_ROWS:
            table[name][at : at + high - low] = values[low:high]
        else:
            table[name][place : place + count] = values[first:high:every]
    table["segment"][at : at + high - low] = rows.segment


def _thinned(short: ShortFrames, every: int) -> ShortFrames:
    """Decimate short frames: of each group the middle one, or one whose level differs from it by more than 6 dB."""
    n = len(short.time_s)
    if every == 1 or n == 0:
        return short
    places = np.minimum(np.arange(0, n, every)[:, None] + np.arange(every), n - 1)
    middle = places[:, every // 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(np.log(short.amplitude_fs[places] / short.amplitude_fs[middle][:, None]))
    off = np.nan_to_num(off, nan=0.0, posinf=np.inf)
    furthest = places[np.arange(len(places)), np.argmax(off, axis=1)]
    chosen = np.where(off.max(axis=1) > np.log(2.0), furthest, middle)
    return ShortFrames(
        time_s=short.time_s[chosen],
        amplitude_fs=short.amplitude_fs[chosen],
        rms_amplitude_fs=short.rms_amplitude_fs[chosen],
        f0_hz=short.f0_hz[chosen],
    )


def _at_steps(segments: list[Segment], time_s: Floats, rate_hz: float) -> NDArray[np.bool_]:
    """Rows across a step of the pitch, which measure neither of the two."""
    near = np.zeros(len(time_s), dtype=bool)
    for before, after in itertools.pairwise(segments):
        if after.start - before.stop < 2.0:
            reach = max(_STEP_S, 1.0 / min(before.f0_hz[-1], after.f0_hz[0]))
            at = after.start / rate_hz
            near[np.searchsorted(time_s, at - reach) : np.searchsorted(time_s, at + reach, side="right")] = True
    return near


def _filled(noise: Floats, segment: NDArray[np.int64]) -> Floats:
    """Fill in the noise of rows too short to have interharmonic bins from their neighbours."""
    known = np.isfinite(noise)
    if not known.any():
        return noise
    index = np.arange(len(noise))
    filled = np.interp(index, index[known], noise[known])
    return np.where(known | (segment < 0), noise, filled)


def _straightened(table: dict[str, Column], hop_s: float) -> Floats:
    """Pitch at the frames' centres: the mean over each frame, corrected for the curvature over phase."""
    f0 = table["f0"].astype(float)
    out = f0.copy()
    n = len(f0)
    span = table["frame_s"].astype(float)
    segment = table["segment"]
    stride = np.where(np.isfinite(span), np.maximum(1, np.round(0.5 * span / hop_s)), 1).astype(np.int64)
    index = np.arange(n)
    left, right = index - stride, index + stride
    fits = (left >= 0) & (right < n)
    left, right = np.clip(left, 0, max(0, n - 1)), np.clip(right, 0, max(0, n - 1))
    fits &= (segment >= 0) & (segment[left] == segment) & (segment[right] == segment)
    with np.errstate(invalid="ignore"):
        fits &= (np.abs(span[left] - span) < 0.3 * span) & (np.abs(span[right] - span) < 0.3 * span)
        # second derivative over phase: time steps are nearly equal steps of phase, the rest is the first derivative's
        ratio = span / (stride * hop_s)
        bend = f0[left] + f0[right] - 2 * f0
        slope = 0.5 * (f0[right] - f0[left])
        second = bend - slope**2 / f0
        fits &= np.abs(second) < 0.01 * f0
        second = _averaged(np.where(fits, second, np.nan), segment)
    out[fits] = (f0 - _CURVATURE * ratio**2 * second)[fits]
    return out


def _averaged(values: Column, segment: Column) -> Column:
    """Mean over five rows of a segment, because the noise of the curvature would add to the pitch's."""
    n = len(values)
    total, count = np.zeros(n), np.zeros(n)
    near, whose = np.full(n + 4, np.nan), np.full(n + 4, -2, dtype=np.int64)  # no segment has that number
    near[2:-2], whose[2:-2] = values, segment
    known = np.isfinite(near)
    for there in (slice(shift, n + shift) for shift in range(5)):
        of_it = known[there] & (whose[there] == segment)
        total += np.where(of_it, near[there], 0.0)
        count += of_it
    return np.where(np.isfinite(values), total / np.maximum(count, 1), values)


def _envelope(
    short: list[ShortFrames],
    segments: list[Segment],
    quiet: Floats,
    row_times: Floats,
    hop_s: float,
    rate_hz: float,
) -> Envelope:
    """Envelope: short frames of the tone, and the r.m.s. of the rows where there is no tone."""
    times: list[Column] = []
    amplitudes: list[Column] = []
    pitches: list[Column] = []
    powers: list[Column] = []
    flags: list[NDArray[np.bool_]] = []
    covered = np.zeros(len(quiet), dtype=bool)
    for segment in segments:
        a = np.searchsorted(row_times, segment.start / rate_hz - hop_s)
        covered[a : np.searchsorted(row_times, segment.stop / rate_hz + hop_s)] = True
    for item in short:
        times.append(item.time_s)
        amplitudes.append(item.amplitude_fs)
        pitches.append(item.f0_hz)
        powers.append(item.rms_amplitude_fs)
        flags.append(np.ones(len(item.time_s), dtype=bool))
    silent = ~covered
    times.append(row_times[silent])
    amplitudes.append(np.sqrt(2 * quiet[silent]).astype(np.float32))
    powers.append(amplitudes[-1])
    pitches.append(np.full(int(silent.sum()), np.nan, dtype=np.float32))
    flags.append(np.zeros(int(silent.sum()), dtype=bool))
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    return Envelope(
        time_s=time[order],
        amplitude_fs=np.concatenate(amplitudes)[order],
        rms_amplitude_fs=np.concatenate(powers)[order],
        f0_hz=np.concatenate(pitches)[order],
        oscillating=np.concatenate(flags)[order],
    )
