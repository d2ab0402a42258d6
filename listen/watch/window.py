"""The last seconds of a stream, as a capture that the tracker and the overload scan can read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Ring:
    """Keeps the newest samples of one channel.

    Parameters
    ----------
    most : int
        Samples kept at least.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._samples: Floats = np.empty(2 * most)
        self._filled = 0
        self.stop = 0

    @property
    def start(self) -> int:
        """Number of the oldest sample that is kept."""
        return self.stop - self._filled

    def add(self, samples: Floats) -> None:
        """Append samples, of which there are no more than are kept."""
        n = len(samples)
        if n > self._most:
            raise ValueError(f"{n} samples at once, at most {self._most}")
        if self._filled + n > len(self._samples):
            recent = self._samples[self._filled - self._most + n : self._filled].copy()
            self._samples[: len(recent)] = recent
            self._filled = len(recent)
        self._samples[self._filled : self._filled + n] = samples
        self._filled += n
        self.stop += n

    def read(self, start: int, stop: int) -> Floats:
        """Copy samples by their number in the stream."""
        if not self.start <= start <= stop <= self.stop:
            raise ValueError(f"samples {start} to {stop}, kept are {self.start} to {self.stop}")
        at = start - self.start
        return self._samples[at : at + stop - start].copy()


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A span of the ring, read as a capture is.

    Attributes
    ----------
    ring : Ring
    start_sample, stop_sample : int
    sample_rate_hz, true_rate_hz : float
    subtype : str
        libsndfile's name of the encoding.
    ac_coupling_hz : float or None
    """

    ring: Ring
    start_sample: int
    stop_sample: int
    sample_rate_hz: float
    true_rate_hz: float
    subtype: str
    ac_coupling_hz: float | None

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop of the stream."""
        return self.ring.read(start, stop)
