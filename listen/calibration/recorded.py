"""A recorded control voltage: its plateaus, or its slow ramp."""

# ruff: noqa: D102  (the protocol lists what a capture documents)

from __future__ import annotations

from typing import Protocol

import numpy as np

from listen.calibration.plateaus import GRID_S, Plateau, Trace, find_plateaus, moving_share
from listen.calibration.types import Floats
from listen.errors import CaptureError
from listen.track.types import Frames
from listen.units import cents_between, hz_from_cents

LEAST_MILLIVOLTS = 2.0
MOST_RAMP_ROWS = 60
LEAST_RAMP_V = 0.05
_RAMP_SHARE = 0.5
_BLOCKS = 2000


class VoltageSource(Protocol):
    """What is needed of a capture's channel."""

    @property
    def true_rate_hz(self) -> float: ...
    @property
    def start_sample(self) -> int: ...
    @property
    def stop_sample(self) -> int: ...
    def read(self, start: int, stop: int) -> Floats: ...


def voltage_trace(source: VoltageSource, volts_per_full_scale: float, offset_v: float) -> Trace:
    """Return the control voltage every 10 ms, in millivolts: the mean of the samples in each cell.

    Parameters
    ----------
    source : Capture
        The channel that holds the voltage, DC-coupled.
    volts_per_full_scale, offset_v : float

    Returns
    -------
    Trace
    """
    rate = source.true_rate_hz
    first, last = source.start_sample, source.stop_sample
    cell = first / rate // GRID_S
    means, times = [], []
    edges = np.round((np.arange(cell, last / rate / GRID_S + 1) * GRID_S) * rate).astype(np.int64)
    edges = np.unique(np.clip(edges, first, last))
    for a in range(0, len(edges) - 1, _BLOCKS):
        part = edges[a : a + _BLOCKS + 1]
        samples = source.read(int(part[0]), int(part[-1]))
        means.append(np.add.reduceat(samples, part[:-1] - part[0]) / np.diff(part))
        times.append(0.5 * (part[:-1] + part[1:]) / rate)
    volts = np.concatenate(means) * volts_per_full_scale + offset_v
    return Trace(time_s=np.concatenate(times), value=1000.0 * volts)


def voltage_plateaus(trace: Trace) -> list[Plateau] | None:
    """Return the holds of the voltage, None where it is a ramp."""
    ways = find_plateaus(trace, None, least=LEAST_MILLIVOLTS)
    if not ways or moving_share(trace, ways[0]) + _climb(trace, ways[0]) > _RAMP_SHARE:
        return None
    return ways[0]


def _climb(trace: Trace, plateaus: list[Plateau]) -> float:
    """Return the part of its range that the voltage moves through in the later part of its holds."""
    within = 0.0
    for plateau in plateaus:
        inside = trace.value[
            (trace.time_s > plateau.start_s + 0.4 * plateau.hold_s) & (trace.time_s < plateau.end_s - 0.02)
        ]
        if len(inside) > 10:
            within += abs(float(np.median(inside[-5:]) - np.median(inside[:5])))
    return within / max(float(np.ptp(trace.value)), 1e-9)


def refuse_ac_coupled(trace: Trace, pitch: list[Plateau], name: str, channel: int) -> None:
    """Refuse a recorded voltage that does not stay where the pitch does.

    Raises
    ------
    CaptureError
        The voltage is blocked by an AC-coupled input, or is none.
    """
    if len(pitch) < 3:
        return
    late = [_median_in(trace, p.end_s - p.hold_s / 3.0, p.end_s) for p in pitch]
    early = [_extreme_in(trace, p.start_s, p.start_s + 0.3 * p.hold_s) for p in pitch]
    settled, spikes = float(np.ptp(late)), float(np.ptp(early))
    if spikes > 10.0 and settled < 0.2 * spikes:
        raise CaptureError(
            f"{name}: the voltage on channel {channel} falls back to the same level while the pitch is held, "
            "so its input is AC-coupled",
            "record it through a DC-coupled input, or give the volts with --cv-values",
        )
    if settled < 10.0:
        raise CaptureError(
            f"{name}: the voltage on channel {channel} stays within {settled:.1f} mV while the pitch moves",
            "choose the channel with --cv-channel, or give the volts with --cv-values",
        )


def _median_in(trace: Trace, start_s: float, end_s: float) -> float:
    inside = (trace.time_s >= start_s) & (trace.time_s <= end_s)
    return float(np.median(trace.value[inside])) if inside.any() else 0.0


def _extreme_in(trace: Trace, start_s: float, end_s: float) -> float:
    inside = trace.value[(trace.time_s >= start_s) & (trace.time_s <= end_s)]
    return float(inside[np.argmax(np.abs(inside))]) if len(inside) else 0.0


def ramp_rows(trace: Trace, frames: Frames) -> list[tuple[float, float, float, float, float, str]]:
    """Return a table of a slow ramp.

    Parameters
    ----------
    trace : Trace
        Millivolts.
    frames : Frames

    Returns
    -------
    list of (volts, f0_hz, sigma_cents, start_s, end_s, direction)
        Even bins of the voltage, at most 60 a way; the pitch is read at the middle of each, off a straight line.
    """
    there = frames.oscillating & np.isfinite(frames.f0_hz)
    time_s = frames.time_s[there].astype(np.float64)
    if len(time_s) < 3:
        return []
    volts = np.interp(time_s, trace.time_s, trace.value) / 1000.0
    cents = cents_between(frames.f0_hz[there].astype(np.float64), 1.0)
    span_v = float(np.ptp(volts))
    if span_v < LEAST_RAMP_V:
        return []
    width = max(LEAST_RAMP_V, span_v / MOST_RAMP_ROWS)
    place = np.floor((volts - volts.min()) / width).astype(np.int64)
    place = np.minimum(place, int(span_v / width))
    smooth = np.convolve(np.pad(volts, 5, mode="edge"), np.ones(11) / 11, mode="valid")
    rising = np.gradient(smooth) >= 0
    cuts = np.flatnonzero((np.diff(place) != 0) | (np.diff(rising.astype(np.int8)) != 0) | (np.diff(time_s) > 0.1)) + 1
    rows = []
    for group in np.split(np.arange(len(time_s)), cuts):
        if len(group) < 3 or np.ptp(volts[group]) < 0.3 * width:
            continue
        v = volts[group]
        middle = float(v.mean())
        slope, level = np.polyfit(v - middle, cents[group], 1)
        residual = cents[group] - level - slope * (v - middle)
        sigma = float(np.sqrt(np.sum(residual**2) / max(1, len(group) - 2) / len(group)))
        way = "up" if rising[group].mean() >= 0.5 else "down"
        f0_hz = float(hz_from_cents(float(level), 1.0))
        rows.append((middle, f0_hz, max(sigma, 0.01), float(time_s[group[0]]), float(time_s[group[-1]]), way))
    return rows
