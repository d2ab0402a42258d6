"""Growth at power on and after a silence, and decay into one: rates read from the samples themselves.

A linear recording chain maps e^(st) to H(s) e^(st): growth is the cleanest quantity that a recording holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.circuit.exponential import Exponential, fit_exponential
from listen.circuit.types import Growth
from listen.sorting import median

Floats = NDArray[np.floating[Any]]
GrowthKind = Literal["start", "restart", "decay"]

_TOPS_DB = (15.0, 18.0, 21.0, 24.0, 27.0, 30.0, 34.0, 38.0)
"""Below the settled level: growth is straight up to 12 dB from it with a hard limiter, to 30 dB with diodes."""
_FLOOR_OVER_NOISE = 1.5
"""The segment begins where the tone is this many times the noise of a sample."""
_LONGEST_SPAN_DB = 60.0
_LEAST_SPAN_DB = 12.0
_SHORT_SPAN_DB = 25.0
"""Less straight growth than this is said to be little, and its uncertainty doubled."""
_PER_CYCLE = 24
_MOST_SAMPLES = 24000
_AGREES = 2.0
"""Rates of two windows agree within so many standard deviations, and the share below."""
_AGREES_SHARE = 0.002
_SYSTEMATIC = 3e-5
"""Of the rate beside noise and the limiter's first bend: a sound card's clock (common practice, no source)."""
_LEAST_RMS = 0.1
"""A fit that leaves less of its weights is held to leave so much."""
_GOOD_RMS, _FAIR_RMS = 3.0, 2.0
"""Misfit over what noise and model error make: two windows that agree may have more than one that stands alone."""
_OTHER_RATES = (2.0, 4.0)
"""Times the first guess: soft limiters take half and more of the time from 1 to 90 % for their last decibels."""
_SPAN_SHARES = (0.7, 0.5)
"""Of the span in decibels: a kick at power on sets the tone off far over the noise, and before it there is none."""
_APART_SHARE = 0.02
"""Uncertainty of a rate where no two windows agree."""
_NOTCH = np.array([0.25, 0.5, 0.25])
"""Zero at half the rate, 0.9 at a tenth of it."""
_QUIET_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Segment:
    """Samples of a growth, the loud end last; of a decay turned round in time."""

    kind: GrowthKind
    x: Floats
    rate_hz: float
    first_s: float
    settled: float
    noise: float
    f0_hz: float
    guess_per_s: float
    correlated: float = 1.0


def find_growth(source: Any, account: Account) -> tuple[Growth, ...]:
    """Fit every exponential growth and decay in the take.

    Parameters
    ----------
    source : Samples
        The recording, without mains lines where these are strong.
    account : Account
    """
    out = []
    for segment in _segments(source, account):
        found = _fitted(segment)
        if found is not None:
            out.append(found)
    return tuple(out)


def _segments(source: Any, account: Account) -> list[_Segment]:
    tone, out = account.tone, []
    if tone is None:
        return []
    start = account.start
    if start.shown and start.f0_hz > 0:
        # quicker than its averaging window, the account gives no rate: 1 to 90 % is 4.5 time constants
        guess = start.growth_per_s or 4.5 / max(start.rise_s, 0.3 / start.f0_hz)
        back_s = start.begin_s - 3.0 / guess - _QUIET_S
        found = _read(source, "start", back_s, start.settled_s + 2.0 / start.f0_hz, start.f0_hz, guess, account)
        out += [found] if found else []
    for gone in account.silences.dropouts:
        before_s = gone.start_s - 6.0 / max(gone.decay_per_s or 5.0, 5.0)
        if gone.decay_per_s:
            end_s = min(gone.end_s, gone.start_s + 8.0 / gone.decay_per_s + _QUIET_S)
            found = _read(source, "decay", before_s, end_s, gone.f0_low_hz, gone.decay_per_s, account)
            out += [found] if found else []
        if gone.comes_back:
            guess = 4.0 / max(gone.settled_s - gone.end_s, 0.01)
            found = _read(source, "restart", gone.start_s, gone.settled_s, gone.f0_high_hz, guess, account)
            out += [found] if found else []
    return out


def _read(
    source: Any, kind: GrowthKind, start_s: float, end_s: float, f0_hz: float, guess_per_s: float, account: Account
) -> _Segment | None:
    """Read a segment, averaged to a few samples a cycle, which preserves exponentials."""
    assert account.tone is not None
    rate = source.true_rate_hz
    first = max(source.start_sample, int(start_s * rate))
    last = min(source.stop_sample, int(end_s * rate) + 1)
    if last - first < 64:
        return None
    factor = max(1, int(rate / (_PER_CYCLE * f0_hz)), -(-(last - first) // (16 * _MOST_SAMPLES)))
    x = source.read(first, last)
    noise_share = 1.0
    if factor == 1:
        # a converter's filter rings at half the rate before the loud end; this preserves exponentials, too
        x, noise_share = np.convolve(x, _NOTCH, "same"), float(np.linalg.norm(_NOTCH))
    count = len(x) // factor
    x = x[: count * factor].reshape(count, factor).mean(axis=1)
    settled = float(np.exp(account.tone.settled_log))
    if kind == "decay":
        x = x[::-1]
    return _Segment(
        kind=kind,
        x=np.ascontiguousarray(x),
        rate_hz=rate / factor,
        first_s=(first + 0.5 * (factor - 1)) / rate,
        settled=settled,
        noise=_noise(x, rate / factor, settled) / noise_share,
        f0_hz=f0_hz,
        guess_per_s=guess_per_s,
        correlated=1.0 / noise_share,
    )


def _noise(x: Floats, rate_hz: float, settled: float) -> float:
    """Noise of a sample, from the quiet end: median of the differences that a tone does not make."""
    quiet = x[: max(32, min(len(x) // 4, int(_QUIET_S * rate_hz)))]
    spread = 1.4826 * median(np.abs(quiet - median(quiet)))
    return max(float(spread), 1e-6 * settled, 1e-9)


def _fitted(segment: _Segment) -> Growth | None:
    """Fit windows that end at decreasing levels; use the highest that agrees with the next lower one."""
    fits: list[tuple[Exponential, int, int]] = []
    for top_db in _TOPS_DB:
        # a bend slows the growth toward the top: the rate of the window above is a better start than a guess
        found = _window(segment, top_db, fits[-1][0].rate_per_s) if fits else None
        if found is None:
            found = _best_of(segment, top_db, [(f * segment.guess_per_s, 1.0) for f in (1.0, *_OTHER_RATES)])
        if found is not None and found[0].rms >= _GOOD_RMS:
            later = _best_of(segment, top_db, [(found[0].rate_per_s, share) for share in _SPAN_SHARES])
            found = found if later is None or later[0].rms >= found[0].rms else later
        if found is None:
            continue
        if fits:
            fit, first, last = fits[-1]
            off = abs(fit.rate_per_s - found[0].rate_per_s)
            sure = np.hypot(_AGREES * found[0].sigma_per_s, _AGREES_SHARE * abs(fit.rate_per_s))
            if off < sure and fit.rms < _GOOD_RMS:
                return _growth(segment, fit, first, last, _apart(fit, found[0]))
        fits.append(found)
    if fits:
        fit, first, last = min(fits, key=lambda f: f[0].rms)
        if fit.rms < _FAIR_RMS:
            return _growth(segment, fit, first, last, _APART_SHARE * abs(fit.rate_per_s))
    return None


def _best_of(segment: _Segment, top_db: float, tries: list[tuple[float, float]]) -> tuple[Exponential, int, int] | None:
    """The first good fit of a window, from a first rate and with a share of the span each; else what leaves least."""
    best = None
    for guess, share in tries:
        found = _window(segment, top_db, guess, share)
        if found is None:
            continue
        if found[0].rms < _GOOD_RMS:
            return found
        if best is None or found[0].rms < best[0].rms:
            best = found
    return best


def _apart(fit: Exponential, lower: Exponential) -> float:
    """What the rates of two windows differ by beyond their noise: the bend's higher orders."""
    noise = lower.sigma_per_s * _of_weights(lower)
    return float(np.sqrt(max((fit.rate_per_s - lower.rate_per_s) ** 2 - noise**2, 0.0)))


def _of_weights(fit: Exponential) -> float:
    """Noise over the weights that a fit was given, where it is less."""
    return min(max(fit.rms, _LEAST_RMS), 1.0)


def _window(segment: _Segment, top_db: float, guess: float, share: float = 1.0) -> tuple[Exponential, int, int] | None:
    """Fit from where the tone leaves the noise, or the last part of that, to where it first passes a level."""
    x, level = segment.x, segment.settled * 10 ** (-top_db / 20)
    span_db = min(20 * np.log10(max(level / (_FLOOR_OVER_NOISE * segment.noise), 1.0)), _LONGEST_SPAN_DB) * share
    if span_db < _LEAST_SPAN_DB:
        return None
    passed = np.flatnonzero(np.abs(x) >= level)
    if not len(passed):
        return None
    last = int(passed[0])
    f0 = segment.f0_hz
    fit = None
    for _ in range(3):
        length = min(span_db * np.log(10) / 20 / guess, _MOST_SAMPLES / segment.rate_hz)
        first = max(0, last - max(int(length * segment.rate_hz), int(0.75 * segment.rate_hz / f0)))
        time_s = (np.arange(first, last + 1) - last) / segment.rate_hz
        thump = segment.kind == "start" and bool(np.abs(x[:first]).max(initial=0.0) < 6 * segment.noise)
        new = fit_exponential(time_s, x[first : last + 1], guess, f0, segment.noise, thump)
        if new is None or new.rate_per_s <= 0 or not 0.5 < new.f0_hz / segment.f0_hz < 2.0:
            return None
        done = fit is not None and abs(new.rate_per_s / guess - 1) < 0.02
        fit, guess, f0 = new, new.rate_per_s, new.f0_hz
        if done:
            break
    return (fit, first, last) if fit is not None and fit.settled else None


def _growth(segment: _Segment, fit: Exponential, first: int, last: int, apart_per_s: float) -> Growth:
    length = (last - first) / segment.rate_hz
    span_db = float(fit.rate_per_s * length * 20 / np.log(10))
    own = fit.sigma_per_s * min(_of_weights(fit) * segment.correlated, 1.0)
    sigma = float(np.sqrt(own**2 + (_SYSTEMATIC * fit.rate_per_s) ** 2 + apart_per_s**2))
    if span_db < _SHORT_SPAN_DB:
        sigma *= 2.0
    rate, a, b = fit.rate_per_s, first, last
    if segment.kind == "decay":
        rate, a, b = -rate, len(segment.x) - 1 - last, len(segment.x) - 1 - first
    return Growth(
        kind=segment.kind,
        start_s=segment.first_s + a / segment.rate_hz,
        end_s=segment.first_s + b / segment.rate_hz,
        f0_hz=fit.f0_hz,
        rate_per_s=rate,
        sigma_per_s=sigma,
        per_radian=rate / float(np.hypot(2 * np.pi * fit.f0_hz, rate)),
        cycles=length * fit.f0_hz,
        span_db=span_db,
    )
