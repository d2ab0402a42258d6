"""Samples that never came, found by the clock against the count.

A sound server whose reader stalls drops samples without a word. What came late is made up for afterwards; what was
lost is not: the count then lags behind the clock for good.
"""

from __future__ import annotations

from collections import deque

_CALM_S = 1.5
"""A lag is settled when it has stayed for so long."""
_SAME_S = 0.02
"""... within this: a clock that is off by 0.1 % moves by a tenth of it."""
_LEAST_S = 0.04
"""Less than two blocks of a sound server is how unevenly it hands them over."""
_BIN_S = 0.25

_LATE_S = 0.2
"""A source with a pace that is silent for longer than this, and than four of its usual pauses, is gone for now."""
_PAUSES = 4.0


class ClockAgainstCount:
    """Compares when samples came with how many.

    Parameters
    ----------
    rate_hz : float
        Samples a second.

    Notes
    -----
    The lag is the clock less the count. Blocks come late now and then, never early: the least lag of a quarter of a
    second is how far the count is behind. While the least lags of 1.5 s agree, the source has the pace of the clock
    and that is its settled lag. A settled lag larger than the one before says what was lost between them. A stream
    that comes at another pace than its rate (a file through a pipe) never settles, and loses nothing.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._first_s: float | None = None
        self._count = 0
        self._bins: deque[tuple[int, float]] = deque()
        self._settled_s: float | None = None
        self.lost_s = 0.0

    def arrived(self, at_s: float, n_samples: int) -> float | None:
        """Take note of samples.

        Parameters
        ----------
        at_s : float
            When they were there.
        n_samples : int

        Returns
        -------
        float or None
            Seconds that were lost, once that is certain.
        """
        if self._first_s is None:
            self._first_s = at_s
        self._count += n_samples
        lag_s = at_s - self._first_s - self._count / self._rate_hz
        number = int((at_s - self._first_s) / _BIN_S)
        if self._bins and self._bins[-1][0] == number:
            self._bins[-1] = number, min(self._bins[-1][1], lag_s)
            return None
        lost_s = self._settle()
        self._bins.append((number, lag_s))
        while self._bins[0][0] < number - round(_CALM_S / _BIN_S) - 1:
            self._bins.popleft()
        return lost_s

    def _settle(self) -> float | None:
        """Look at the finished bins."""
        needed = round(_CALM_S / _BIN_S)
        if len(self._bins) < needed:
            return None
        last = list(self._bins)[-needed:]
        lags = [lag for _, lag in last]
        # a stall leaves bins out: the time is not covered
        if last[-1][0] - last[0][0] != needed - 1 or max(lags) - min(lags) > _SAME_S:
            return None
        now_s = min(lags)
        before_s, self._settled_s = self._settled_s, now_s
        if before_s is None or now_s - before_s < _LEAST_S:
            return None
        self.lost_s += now_s - before_s
        return now_s - before_s


class Pauses:
    """How long a source usually leaves between its pieces: a recorder may write once a second."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._usual_s = 0.0

    def arrived(self, at_s: float) -> None:
        """Take note of a piece."""
        if self._last_s is not None:
            pause_s = at_s - self._last_s
            # a stall is no habit
            self._usual_s = max(0.98 * self._usual_s, min(pause_s, 1.0))
        self._last_s = at_s

    def longest_s(self) -> float:
        """Return how long nothing may come before the source is taken for gone."""
        return max(_LATE_S, min(_PAUSES * self._usual_s, 2.0)) if self._usual_s < 1.0 else 3.0
