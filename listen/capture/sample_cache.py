"""Decoded samples of a file, kept so that a take is decoded once though several passes read it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.capture.types import Floats

BLOCK_SAMPLES = 1 << 15
"""0.7 s at 48 kHz: few calls of the decoder, and little decoded in vain about a short range."""
MOST_SAMPLES = 1 << 22
"""87 s at 48 kHz, 16 MB of single precision: takes of a bench. What lies beyond is decoded anew each time."""
_SINGLE = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "FLOAT", "ULAW", "ALAW")
"""Subtypes whose values single precision holds exactly: 24 bits with their sign, or single precision itself."""

Decode = Callable[[int, int], NDArray[np.floating[Any]]]


def held_by_single(subtype: str) -> bool:
    """Whether single precision holds all values that a subtype of libsndfile's can store."""
    return subtype in _SINGLE


class SampleCache:
    """Blocks of decoded samples, by channel and place.

    Parameters
    ----------
    single : bool
        Keep them in single precision.
    n_samples : int
        Of the file.
    """

    def __init__(self, single: bool, n_samples: int) -> None:
        self._dtype = np.float32 if single else np.float64
        self._n_samples = n_samples
        self._blocks: dict[tuple[int, int], np.ndarray] = {}

    def read(self, start: int, stop: int, channel_index: int, decode: Decode) -> Floats:
        """Read samples, from what was decoded before where it is there.

        Parameters
        ----------
        start, stop : int
        channel_index : int
        decode : callable
            Given the first sample and that after the last, returns them as double precision.

        Returns
        -------
        ndarray, shape (stop - start,)
            The caller's own.
        """
        out = np.empty(stop - start)
        at = start
        while at < stop:
            number = at // BLOCK_SAMPLES
            low = number * BLOCK_SAMPLES
            key = (channel_index, number)
            block = self._blocks.get(key)
            if block is None and (len(self._blocks) + 1) * BLOCK_SAMPLES > MOST_SAMPLES:
                end = self._next_known(number, stop, channel_index)
                out[at - start : end - start] = decode(at, end)
            else:
                end = min(stop, low + BLOCK_SAMPLES)
                if block is None:
                    decoded = decode(low, min(self._n_samples, low + BLOCK_SAMPLES))
                    block = self._blocks[key] = decoded.astype(self._dtype)
                out[at - start : end - start] = block[at - low : end - low]
            at = end
        return out

    def clear(self) -> None:
        """Give the memory back."""
        self._blocks.clear()

    def _next_known(self, number: int, stop: int, channel_index: int) -> int:
        """Where the next block begins that is there, or the end of what is wanted."""
        while number * BLOCK_SAMPLES < stop and (channel_index, number) not in self._blocks:
            number += 1
        return min(stop, number * BLOCK_SAMPLES)
