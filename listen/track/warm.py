"""Run every compiled kernel once: after ``python -m listen.track.warm`` a first check finds them compiled."""

from __future__ import annotations

import numpy as np

from listen.track.tracker import track
from listen.track.types import Floats


class _Tone:
    """A second of a tone with a few harmonics, as a capture."""

    true_rate_hz = 48000.0
    start_sample = 0
    ac_coupling_hz = None

    def __init__(self) -> None:
        t = np.arange(48000) / self.true_rate_hz
        low = sum(0.2 / k * np.sin(2 * np.pi * 110.0 * k * t) for k in range(1, 12))
        self._samples = np.concatenate([low, 0.2 * np.sin(2 * np.pi * 5000.0 * t)])
        self.stop_sample = len(self._samples)

    def read(self, start: int, stop: int) -> Floats:
        """Samples start .. stop."""
        part: Floats = self._samples[start:stop].copy()
        return part


def main() -> None:
    """Compile the kernels, or load them if they were."""
    track(_Tone())


if __name__ == "__main__":
    main()
