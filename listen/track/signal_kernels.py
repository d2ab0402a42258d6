"""The hot loops that make what the rough pitch is read from: lower rates, windows, powers of their spectra.

Each kernel has its plain twin, under the same name, in ``reference.py``.
"""

from __future__ import annotations

import numpy as np

from listen.compiled import kernel
from listen.track.types import Floats, Ints


@kernel("void(f4[::1], f4[::1], i8, f4[::1])", sums=True)
def decimate(x: Floats, taps: Floats, step: int, out: Floats) -> None:
    """Out[i] = sum over j of taps[j] * x[i * step + j], all float32; taps (64,)."""
    for i in range(np.uint64(out.shape[0])):
        first = i * np.uint64(step)
        total = np.float32(0.0)
        for j in range(np.uint64(64)):
            total += taps[j] * x[first + j]
        out[i] = total


@kernel("void(f4[::1], f4[::1], i8, i8[::1], i8, f4[::1])", sums=True)
def decimate_near(x: Floats, taps: Floats, step: int, centres: Ints, reach: int, out: Floats) -> None:
    """As ``decimate``, but only out[centre - reach : centre + reach] of each of the rising centres."""
    done = 0
    for c in range(centres.shape[0]):
        low = max(centres[c] - reach, done)
        done = max(min(centres[c] + reach, out.shape[0]), low)
        for k in range(np.uint64(done - low)):
            i = np.uint64(low) + k
            first = i * np.uint64(step)
            total = np.float32(0.0)
            for j in range(np.uint64(64)):
                total += taps[j] * x[first + j]
            out[i] = total


@kernel("void(f4[:, :, ::1], f8, f4[:, ::1])", sums=True, brief=True)
def line_powers(spectra: Floats, scale: float, out: Floats) -> None:
    """Squares of spectra (n, bins, 2), real and imaginary parts, times ``scale``: out (n, bins); all float32."""
    narrow = np.float32(scale)
    for i in range(spectra.shape[0]):
        for b in range(np.uint64(spectra.shape[1])):
            re = spectra[i, b, 0]
            im = spectra[i, b, 1]
            out[i, b] = narrow * (re * re + im * im)


@kernel("void(f4[::1], i8[::1], f8[::1], f4[:, ::1])", sums=True)
def take_windows(x: Floats, centres: Ints, window: Floats, out: Floats) -> None:
    """Windowed pieces of x about centres, their mean taken off; x is 0 outside of itself: out (n, size); float32."""
    size = window.shape[0]
    for i in range(centres.shape[0]):
        a = centres[i] - size // 2
        low = min(max(-a, 0), size)
        high = max(min(x.shape[0] - a, size), low)
        total = 0.0
        for j in range(np.uint64(high - low)):
            total += np.float64(x[np.uint64(a + low) + j])
        mean = total / size
        for j in range(size):
            value = np.float64(x[a + j]) if low <= j < high else 0.0
            out[i, np.uint64(j)] = (value - mean) * window[np.uint64(j)]
