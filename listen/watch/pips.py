"""Better and worse for the ear: two pips a second, first the reference, then now; falling means better.

An octave for each 6 dB of the reading. Pips are faded and quiet, and silent while nothing is at rest. Before the first
one is played in earnest, one is played and listened for in the input: where it is heard there, it would be measured.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from listen.units import ratio_from_db

Floats = NDArray[np.float64]

LOUDEST_DBFS = -30.0
"""Peaks of a pip: quiet beside any programme, for it may last for hours (common practice, no source)."""
PIP_S = 0.08
_FADE_S = 0.015
_APART_S = 0.5
REFERENCE_HZ = 660.0
_LOWEST_HZ, _HIGHEST_HZ = 110.0, 3520.0
_DB_AN_OCTAVE = 6.0
RATE_HZ = 48_000
_TRIAL_HZ = (1847.0, 2531.0, 3181.0)
"""Prime numbers: hardly ever a harmonic of what sounds; the quietest of them in the input is played."""
_TRIAL_S, _RECENT_S = 2.0, 3.0
"""A pip that is heard at once must still be there when it is looked for."""
_HEARD_TIMES, _HEARD_LEAST_FS = 6.0, 10 ** (-90 / 20)
CAUTION = (
    "pips of -30 dBFS at most: start with the volume at zero, and take headphones off before the board is switched"
)
REFUSED = "the pips are heard in the input and would be measured: no sound; use headphones, or another output"


class Output(Protocol):
    """Where sound goes."""

    def write(self, samples: bytes) -> Any:
        """Play 32-bit floating point, one channel."""
        ...


def pip(f_hz: float, rate_hz: int = RATE_HZ) -> Floats:
    """Return one pip.

    Parameters
    ----------
    f_hz : float
    rate_hz : int

    Returns
    -------
    ndarray
        Its ends faded by raised cosines, its peak at ``LOUDEST_DBFS``.
    """
    n = round(PIP_S * rate_hz)
    fade = round(_FADE_S * rate_hz)
    window = np.ones(n)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    window[:fade], window[n - fade :] = rise, rise[::-1]
    loud = float(ratio_from_db(LOUDEST_DBFS))
    return loud * window * np.sin(2 * np.pi * f_hz * np.arange(n) / rate_hz)


def pip_hz(better_db: float) -> float:
    """Return the pitch of the second pip: an octave lower for each 6 dB that it is better.

    Examples
    --------
    >>> pip_hz(0.0), pip_hz(6.0), pip_hz(-6.0)
    (660.0, 330.0, 1320.0)
    """
    octaves = -better_db / _DB_AN_OCTAVE
    return float(min(max(REFERENCE_HZ * 2.0**octaves, _LOWEST_HZ), _HIGHEST_HZ))


class Ear:
    """Listens for the trial pip in the input."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._pieces: list[Floats] = []
        self._lock = threading.Lock()
        self._most = round(_RECENT_S * rate_hz)

    def hear(self, samples: Floats) -> None:
        """Take samples of the input."""
        with self._lock:
            self._pieces.append(samples.copy())
            while sum(map(len, self._pieces)) - len(self._pieces[0]) > self._most:
                del self._pieces[0]

    def recent(self) -> Floats:
        """Return the last three seconds, or what there is."""
        with self._lock:
            return np.concatenate(self._pieces) if self._pieces else np.zeros(0)

    def loudest(self, f_hz: float, x: Floats) -> float:
        """Return the largest amplitude of a pip of this pitch anywhere in some samples.

        Through a Hann window as long as a pip: a loud tone in the input leaks less than -90 dB of itself into it, where
        a window with edges would hide a pip 40 dB below the tone.
        """
        n = round(PIP_S * self._rate_hz)
        if len(x) < n:
            return 0.0
        window = signal.windows.hann(n)
        at_zero_hz = x * np.exp(-2j * np.pi * f_hz / self._rate_hz * np.arange(len(x)))
        return float(np.max(np.abs(signal.oaconvolve(at_zero_hz, window, "valid")))) * 2.0 / float(window.sum())


class Pips:
    """Plays pips until it is closed.

    Parameters
    ----------
    output : Output
    better_db : callable
        By how much the reading is better than the reference; None while nothing is at rest.
    rate_hz : float
        Of the input.
    say : callable
        Told why there is no sound.
    """

    def __init__(
        self, output: Output, better_db: Callable[[], float | None], rate_hz: float, say: Callable[[str], None]
    ) -> None:
        self._output, self._better_db, self._say = output, better_db, say
        self.ear = Ear(rate_hz)
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._play, daemon=True, name="listen-pips")
        self._thread.start()

    def close(self) -> None:
        """Be quiet."""
        self._closed.set()
        self._thread.join(2.0)

    def _play(self) -> None:
        try:
            if self._heard_in_input():
                if not self._closed.is_set():
                    self._say(REFUSED)
                return
            while not self._closed.is_set():
                better = self._better_db()
                if better is None:
                    self._closed.wait(0.1)
                    continue
                for f_hz in (REFERENCE_HZ, pip_hz(better)):
                    self._sound(pip(f_hz))
                    if self._closed.wait(_APART_S):
                        return
        except Exception as error:  # of the sound library: the readings go on without it
            self._say(f"no sound: {str(error).splitlines()[0]}")

    def _sound(self, samples: Floats) -> None:
        self._output.write(samples.astype("<f4").tobytes())

    def _heard_in_input(self) -> bool:
        """Play one pip, and look for it in what comes in."""
        if self._closed.wait(_TRIAL_S):
            return True
        before = self.ear.recent()
        quiet = {f_hz: self.ear.loudest(f_hz, before) for f_hz in _TRIAL_HZ}
        f_hz = min(quiet, key=lambda f: quiet[f])
        self._sound(pip(f_hz))
        if self._closed.wait(_TRIAL_S):
            return True
        after = self.ear.loudest(f_hz, self.ear.recent())
        return after > max(_HEARD_TIMES * quiet[f_hz], _HEARD_LEAST_FS)
