"""Random oscillators for the tests of properties: pitch, harmonics, level, noise, all from Hypothesis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from tests.tones import RATE_HZ, exponential, steady, sum_of, white

SECONDS = 0.6


@dataclass(frozen=True, kw_only=True)
class Tone:
    """A tone, swept or steady, with a few harmonics and white noise."""

    low_hz: float
    octaves: float
    lines: tuple[complex, ...]
    peak: float
    noise_db: float
    seed: int

    def phase(self, rate_hz: float = RATE_HZ) -> np.ndarray:
        if self.octaves == 0.0:
            return steady(self.low_hz, SECONDS, rate_hz)
        return exponential(self.low_hz, self.low_hz * 2.0**self.octaves, SECONDS, rate_hz)

    def f0_hz(self, time_s: np.ndarray) -> np.ndarray:
        return self.low_hz * 2.0 ** (self.octaves * time_s / SECONDS)

    def samples(self, rate_hz: float = RATE_HZ) -> np.ndarray:
        """Samples; the harmonics lie below a fifth of 48 kHz whatever the rate, the noise has one density."""
        time_s = np.arange(round(SECONDS * rate_hz)) / rate_hz
        wave = self.peak * sum_of(self.phase(rate_hz), self.lines, self.f0_hz(time_s), rate_hz)
        dbfs = 20 * np.log10(self.peak) + self.noise_db + 10 * np.log10(rate_hz / RATE_HZ)
        return wave + white(len(wave), dbfs, self.seed)


def _lines() -> st.SearchStrategy[tuple[complex, ...]]:
    line = st.builds(
        lambda db, turn: 10 ** (db / 20) * np.exp(2j * np.pi * turn), st.floats(-50.0, -15.0), st.floats(0.0, 1.0)
    )
    return st.lists(line, min_size=0, max_size=4).map(lambda more: (1.0 + 0.0j, *more))


def tones(*, swept: bool | None = None, noise_db: tuple[float, float] = (-80.0, -50.0)) -> st.SearchStrategy[Tone]:
    """Tones of 110 Hz to 2 kHz; ``swept`` None: some of each."""
    octaves = st.just(0.0) if swept is False else st.floats(0.3, 1.0)
    if swept is None:
        octaves = st.one_of(st.just(0.0), octaves)
    return st.builds(
        Tone,
        low_hz=st.floats(np.log(110.0), np.log(900.0)).map(lambda log: float(np.exp(log))),
        octaves=octaves,
        lines=_lines(),
        peak=st.floats(0.05, 0.5),
        noise_db=st.floats(*noise_db),
        seed=st.integers(0, 2**31),
    )
