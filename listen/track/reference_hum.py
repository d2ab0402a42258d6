"""The kernels of what is slow once more in plain numpy, as in ``reference.py``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def level_windows(rest: Floats, step: int, window: Floats, out: Floats, nan_share: Floats) -> None:
    """Windows with NaN as 0, less the straight line that fits them best, weighted; and the share of NaN."""
    width = len(window)
    place = np.arange(width) - 0.5 * (width - 1)
    for i in range(len(out)):
        taken = rest[i * step : i * step + width]
        nan_share[i] = np.mean(np.isnan(taken))
        filled = np.nan_to_num(taken)
        slope = filled @ place / (place @ place) if width > 1 else 0.0
        out[i, :width] = (filled - filled.mean() - slope * place) * window
        out[i, width:] = 0.0


def limit_strays(values: Floats, times: float, width: int, out: Floats) -> None:
    """Clip each to m - times d .. m + times d, m the median around it, d the median of the distances from m."""
    n = len(values)
    halves = [(width - 1) // 2, width // 2]
    for i, value in enumerate(values):
        first = min(max(i - width // 2, 0), n - width)
        around = values[first : first + width]
        middle = np.sort(around)[halves].mean()
        most = times * np.sort(np.abs(around - middle))[halves].mean()
        out[i] = np.clip(value, middle - most, middle + most) if np.isfinite(most) else value


def line_levels(
    spectra: Floats,
    scale: float,
    near: Ints,
    near_ends: Ints,
    floor_bins: Ints,
    floor_ends: Ints,
    room: Floats,
    out: Floats,
) -> None:
    """Largest amplitude of the bins near each line, median of those beside it.

    The median for both where the largest is over three times it, and a bin of the two on either side is larger still.
    """
    del room
    amplitude = scale * np.hypot(spectra[:, :, 0], spectra[:, :, 1])
    for k in range(out.shape[1]):
        at, others = near[near_ends[k] : near_ends[k + 1]], floor_bins[floor_ends[k] : floor_ends[k + 1]]
        out[:, k, 0] = amplitude[:, at].max(axis=1) if len(at) else np.nan
        out[:, k, 1] = np.median(amplitude[:, others], axis=1) if len(others) else np.nan
        if len(at) and len(others):
            beyond = [b for b in (at[0] - 2, at[0] - 1, at[-1] + 1, at[-1] + 2) if 0 <= b < amplitude.shape[1]]
            skirt = (amplitude[:, beyond] > out[:, k, :1]).any(axis=1) & (out[:, k, 0] > 3.0 * out[:, k, 1])
            out[skirt, k, 0] = out[skirt, k, 1]
