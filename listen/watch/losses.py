"""Samples that never came, and a rate that is not the stated one, found by the clock against the count.

A sound server whose reader stalls drops samples without a word. What came late is made up for afterwards; what was
lost is not: the count then lags behind the clock for good. Samples that come at another rate let it lag ever more.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass
from statistics import linear_regression

from listen.units import cents_between
from listen.watch.feeds import Piece

_CALM_S = 1.5
"""A lag is settled when it has stayed for so long .."""
_FEWEST = 4
""".. and over so many deliveries: some recorders write once a second."""
_SAME_S = 0.02
"""... within this: a clock that is off by 0.1 % moves by a tenth of it."""
_SAME_SHARE = 0.03
""".. or within this part of the time between two deliveries: the longer ones wait for the disc as well."""
_LEAST = 2.0
"""Times the scatter: a lag that rises by less than two blocks of a sound server is how unevenly it hands them over."""
_BIN_S = 0.25
_MOST_BINS = 64

_LATE_S = 0.2
"""A source with a pace that is silent for longer than this, and than four of its usual pauses, is gone for now."""
_PAUSES = 4.0

_RATE_EVERY_S = 0.5
_RATE_CALM_S = 5.0
"""A rate is told from so much: an unevenness of 20 ms is then 0.4 %."""
_RATE_OFF = 0.005
"""Clocks of converters are within 0.01 % (common practice, no source); two usual rates are 8 % apart at least."""
_MOST_RATIO = 4.5
"""Quicker than this is a file that is read, not a source at another rate."""
USUAL_RATES_HZ = (
    8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 64000, 88200, 96000, 176400, 192000, 352800, 384000,
)  # fmt: skip


@dataclass(slots=True)
class _Bin:
    """Deliveries of a quarter of a second: the one with the least lag."""

    number: int
    at_s: float
    lag_s: float


class ClockAgainstCount:
    """Compares when samples came with how many.

    Parameters
    ----------
    rate_hz : float
        Samples a second.

    Notes
    -----
    The lag is the clock less the count. Blocks come late now and then, never early: the least lag of a quarter of a
    second is how far the count is behind. While the least lags of 1.5 s, and of four deliveries at least, agree, the
    source has the pace of the clock and that is its settled lag. A settled lag larger than the one before says what was
    lost between them. A stream that comes at another pace than its rate (a file through a pipe) never settles, and
    loses nothing.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._first_s: float | None = None
        self._count = 0
        self._bins: deque[_Bin] = deque(maxlen=_MOST_BINS)
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
        if self._bins and self._bins[-1].number == number:
            if lag_s < self._bins[-1].lag_s:
                self._bins[-1].at_s, self._bins[-1].lag_s = at_s, lag_s
            return None
        lost_s = self._settle()
        self._bins.append(_Bin(number, at_s, lag_s))
        return lost_s

    def pace_hz(self) -> float | None:
        """Return the samples a second by the clock, over the last five seconds; None while they come unevenly."""
        bins = self._even(_RATE_CALM_S)[:-1]  # the last is not finished
        if len(bins) < _FEWEST:
            return None
        slope, first_s = linear_regression([b.at_s for b in bins], [b.lag_s for b in bins])
        off_s = max(abs(b.lag_s - first_s - slope * b.at_s) for b in bins)
        if off_s > _scatter_s(bins) + abs(slope) * _BIN_S:
            return None
        return self._rate_hz * (1.0 - slope)

    def _even(self, seconds: float) -> list[_Bin]:
        """Return the newest bins over some time, if deliveries came evenly: a stall leaves bins out."""
        chosen: list[_Bin] = []
        for one in reversed(self._bins):
            chosen.append(one)
            if len(chosen) >= _FEWEST and chosen[0].number - one.number >= round(seconds / _BIN_S) - 1:
                break
        else:
            return []
        pauses = [later.number - earlier.number for later, earlier in itertools.pairwise(chosen)]
        return chosen[::-1] if max(pauses) <= 1.5 * min(pauses) + 0.5 else []

    def _settle(self) -> float | None:
        """Look at the finished bins."""
        bins = self._even(_CALM_S)
        if not bins:
            return None
        lags = [b.lag_s for b in bins]
        scatter_s = _scatter_s(bins)
        if max(lags) - min(lags) > scatter_s:
            return None
        now_s = min(lags)
        before_s, self._settled_s = self._settled_s, now_s
        if before_s is None or now_s - before_s < _LEAST * scatter_s:
            return None
        self.lost_s += now_s - before_s
        return now_s - before_s


def _scatter_s(bins: list[_Bin]) -> float:
    """How unevenly a source may deliver that has an even pace."""
    return max(_SAME_S, _SAME_SHARE * (bins[-1].at_s - bins[0].at_s) / (len(bins) - 1))


class StatedRate:
    """Whether a source still delivers at the rate that was stated.

    Parameters
    ----------
    stated_hz : int
    """

    def __init__(self, stated_hz: int) -> None:
        self._stated_hz = stated_hz
        self._now_hz = stated_hz

    def heard(self, pace_hz: float | None) -> int | None:
        """Take a pace by the clock; return the usual rate that the source has changed to, once.

        A pace that is no usual rate says nothing: a file may be sent through a pipe at any.
        """
        if pace_hz is None or pace_hz > _MOST_RATIO * self._stated_hz:
            return None
        near = [hz for hz in (self._stated_hz, *USUAL_RATES_HZ) if abs(pace_hz / hz - 1.0) < _RATE_OFF]
        if not near or near[0] == self._now_hz:
            return None
        self._now_hz = near[0]
        return self._now_hz


def rate_in_words(rate_hz: int, stated_hz: int) -> str:
    """Say that samples come at another rate than was stated, and what that does to the readings.

    Examples
    --------
    >>> rate_in_words(44100, 48000)
    '44100 samples a second come, not the stated 48000: every pitch reads 147 cents too high; start again at that rate'
    >>> rate_in_words(48000, 48000)
    '48000 samples a second come again, as stated'
    """
    if rate_hz == stated_hz:
        return f"{rate_hz} samples a second come again, as stated"
    cents = cents_between(stated_hz, rate_hz)
    way = "high" if cents > 0 else "low"
    return (
        f"{rate_hz} samples a second come, not the stated {stated_hz}: every pitch reads {abs(cents):.0f} cents "
        f"too {way}; start again at that rate"
    )


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


class Arrivals:
    """When samples came and how many: what was lost, at which rate they come, how long a pause is usual.

    Parameters
    ----------
    rate_hz : int
        Stated samples a second.
    frame_bytes : int
        Of one sample of all channels.
    """

    def __init__(self, rate_hz: int, frame_bytes: int) -> None:
        self._frame_bytes = frame_bytes
        self._clock = ClockAgainstCount(rate_hz)
        self._stated_rate = StatedRate(rate_hz)
        self._pauses = Pauses()
        self._rate_looked_s = 0.0

    @property
    def lost_s(self) -> float:
        """Seconds that were lost so far."""
        return self._clock.lost_s

    def took(self, pieces: list[Piece], n_bytes: int, whole_bytes: int, *, live: bool) -> float:
        """Take note of pieces.

        Parameters
        ----------
        pieces : list of Piece
        n_bytes : int
            Bytes up to the last piece's end, without those of a header.
        whole_bytes : int
            Those of them that are whole frames.
        live : bool
            Whether the source has a pace.

        Returns
        -------
        float
            Seconds that were lost, as far as that is certain now.
        """
        before_s = self.lost_s
        end = n_bytes - sum(len(piece.data) for piece in pieces)
        counted = 0
        for piece in pieces:
            end += len(piece.data)
            count = max(0, min(end, whole_bytes)) // self._frame_bytes
            if count == counted:
                continue
            if live:
                self._clock.arrived(piece.at_s, count - counted)
            self._pauses.arrived(piece.at_s)
            counted = count
        return self.lost_s - before_s

    def changed_rate_hz(self, at_s: float) -> int | None:
        """Return another rate than before by the clock, once; asked again and again, it looks now and then."""
        if at_s - self._rate_looked_s <= _RATE_EVERY_S:
            return None
        self._rate_looked_s = at_s
        return self._stated_rate.heard(self._clock.pace_hz())

    def longest_pause_s(self) -> float:
        """Return how long nothing may come before the source is taken for gone."""
        return self._pauses.longest_s()
