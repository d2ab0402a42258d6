"""Plain measures with general tools (scipy), to see that a take is what its truth claims; no part of the generators."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, signal

Floats = NDArray[np.float64]


def longest_rest(
    take_rests: tuple[tuple[float, float], ...], samples: Floats, rate_hz: float, most_s: float = 1.5
) -> Floats:
    """Return the samples of the longest rest."""
    start_s, end_s = max(take_rests, key=lambda rest: rest[1] - rest[0])
    start_s = max(start_s, end_s - most_s)
    return samples[int(start_s * rate_hz) : int(end_s * rate_hz)]


def fit_sine(piece: Floats, rate_hz: float, near_hz: float) -> tuple[float, float]:
    """Return frequency and amplitude of the tone near a pitch: least squares, Blackman-Harris weighted."""
    window = signal.windows.blackmanharris(len(piece))
    time_s = np.arange(len(piece)) / rate_hz

    def rest_power(hz: float) -> float:
        line = np.exp(-2j * np.pi * hz * time_s)
        return -float(abs(np.sum(window * piece * line)))

    width = 2.0 * rate_hz / len(piece)
    found = optimize.minimize_scalar(
        rest_power, bounds=(near_hz - width, near_hz + width), method="bounded", options={"xatol": 1e-6}
    )
    return float(found.x), float(-2.0 * found.fun / window.sum())


def line(piece: Floats, rate_hz: float, hz: float) -> float:
    """Return the amplitude at one frequency (Blackman-Harris window)."""
    window = signal.windows.blackmanharris(len(piece))
    time_s = np.arange(len(piece)) / rate_hz
    return float(2.0 * abs(np.sum(window * piece * np.exp(-2j * np.pi * hz * time_s))) / window.sum())


def harmonics_dbc(piece: Floats, rate_hz: float, near_hz: float, count: int = 10) -> tuple[float, Floats]:
    """Return the pitch and H2.. in dBc; NaN above 0.45 of the rate."""
    f0_hz, amplitude = fit_sine(piece, rate_hz, near_hz)
    levels = [
        20.0 * np.log10(max(line(piece, rate_hz, k * f0_hz), 1e-12) / amplitude)
        if k * f0_hz < 0.45 * rate_hz
        else np.nan
        for k in range(2, count + 1)
    ]
    return f0_hz, np.array(levels)


def analytic(samples: Floats, rate_hz: float, centre_hz: Floats | float, width_hz: float) -> NDArray[np.complex128]:
    """Return the tone's complex envelope: brought to 0 Hz along a pitch, then a Gaussian low-pass."""
    hz = np.broadcast_to(np.asarray(centre_hz, dtype=float), samples.shape)
    turned = samples * np.exp(-2j * np.pi * np.cumsum(hz) / rate_hz)
    sigma = rate_hz / (2.0 * np.pi * width_hz)
    half = int(4.0 * sigma)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    return np.asarray(2.0 * signal.fftconvolve(turned, kernel / kernel.sum(), mode="same"))


def depth_percent(envelope: Floats) -> float:
    """(max - min)/(max + min) after a straight line."""
    return float(100.0 * (envelope.max() - envelope.min()) / (envelope.max() + envelope.min()))


def residue_dbc(piece: Floats, rate_hz: float, near_hz: float, low_hz: float, high_hz: float) -> float:
    """R.m.s. of what lies in a band after the harmonics are fitted away, against the fundamental's r.m.s."""
    f0_hz, amplitude = fit_sine(piece, rate_hz, near_hz)
    time_s = np.arange(len(piece)) / rate_hz
    columns = [np.ones_like(time_s)]
    for k in range(1, int(0.49 * rate_hz / f0_hz) + 1):
        columns += [np.cos(2.0 * np.pi * k * f0_hz * time_s), np.sin(2.0 * np.pi * k * f0_hz * time_s)]
    basis = np.stack(columns, axis=1)
    left = piece - basis @ np.linalg.lstsq(basis, piece, rcond=None)[0]
    hz, power = signal.welch(left, rate_hz, nperseg=min(8192, len(left)))
    band = (hz >= low_hz) & (hz <= high_hz)
    return float(10.0 * np.log10(np.sum(power[band]) * (hz[1] - hz[0]) / (0.5 * amplitude**2)))
