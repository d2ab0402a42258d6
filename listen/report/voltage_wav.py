"""A voltage as a WAV file: 24 bits, one channel, no dither (a voltage is no sound)."""

from __future__ import annotations

import io
import wave

import numpy as np
from numpy.typing import NDArray


def voltage_wav(samples: NDArray[np.float64], sample_rate_hz: int) -> bytes:
    """Return samples as a WAV file.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Full scale is 1.
    sample_rate_hz : int

    Returns
    -------
    bytes
    """
    codes = np.round(samples * 2.0**23).clip(-(2.0**23), 2.0**23 - 1.0).astype("<i4")
    raw = np.ascontiguousarray(codes.view(np.uint8).reshape(-1, 4)[:, :3])
    stream = io.BytesIO()
    with wave.open(stream, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(sample_rate_hz)
        file.writeframes(raw.tobytes())
    return stream.getvalue()
