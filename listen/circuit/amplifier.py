"""Transfer curve of the amplifier from the output's harmonics: gain in hand, clip levels, gain needed by the gangs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.bench import BuildSettings
from listen.circuit import limiter, loop
from listen.circuit.curve_clips import OPENED, curve_clips
from listen.circuit.curve_fit import LAG_S, CurveFit, OutputLines, Unstated, completed, fit_curve, handed_back
from listen.circuit.expected import PULLED_PERCENT, Pulled
from listen.circuit.limiter import AmplifierStages
from listen.circuit.rows_along import rows_along
from listen.circuit.smoothing import median_of_take, row_at_median, smoothed
from listen.circuit.types import AmplifierCurve
from listen.sorting import median

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]

_MARGIN = 30.0
"""Rails beside diodes must gain so much in the score: a hundred thousand to one and more."""
_POOR_PERCENT = 8.0
"""A curve that leaves more of the harmonics is not what bends this wave: slewing, memory, another network."""
_POOR_CHI2 = 100.0
"""... and so is one that leaves this much a bin."""
_FREE_OF_SLEW = 0.5
"""Slope of the wave over the amplifier's limit up to which slewing leaves no harmonics."""
_UNSTATED_LAG_S, _STATED_LAG, _STRAY_LAG_S = 0.21e-6, 0.1, 0.02e-6
"""Deviation of the lag of a gain of 3, of amplifiers whose bandwidth nobody states: the logarithm of it evenly likely
from 0.6 to 10 MHz; of a stated one a tenth, and what strays add (common practice, no source)."""
_LOPSIDED = 0.1
"""Even over odd harmonics. The gain in hand is off by a twentieth of itself where they are alike (solved circuits)."""
_CURVE_POINTS = 81
_STRONG_LAST = 0.003
"""Of the fundamental: a bin whose last harmonic is weaker lacks nothing that bends the curve."""
_CORNER_HZ, _CORNER_SIGMA_HZ, _FOUND_CORNER_SIGMA_HZ = 3.0, 1.2, 2.0
"""Of a coupling that is not stated: interfaces pass from 1 to 5 Hz on (common practice, no source); where the account's
own fit tells it, that is where the search begins, and hardly binds."""
_OVERSTATED = 0.8
"""Of the deviation of a gain in hand that the fit states: errors of 170 solved bridges with rails and diodes were 0.62
to 0.82 of it, r.m.s. Measured, not derived: that of the gangs beside it is as it should be."""
_AT_THE_MEDIAN = 5
"""Rows nearest to the median, whose common errors are those of the median."""
_NEED_ROUNDS, _NEED_STEP, _NEED_STRIDE = 6, 1e-4, 0.05
"""Newton's steps for a gain within a twentieth: the last is far below what the noise leaves."""
_EDGE_ROWS = 0.29
"""Rows by which the middle of those with the tone is unsure: the first one's frame is cut short and not read, and the
tone ends anywhere within the last one; a row more at one end moves the middle by half a row."""
_SAME_NOTE = 0.002
"""Of the pitch: a control that rests, whose pitch an edge of the tone may pull by some cents."""
_NEAR_S = 0.25
"""Rows further apart belong to two notes or to two turns."""
WITHOUT_MEMORY = ("diodes", "none")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Amplifier:
    """Results of the transfer curve of a take.

    Attributes
    ----------
    fit : CurveFit
    lines : Lines
    time_s, f0_hz : ndarray, shape (m,)
        Rows along the take.
    log_need : ndarray, shape (m,)
        Logarithm of the gain that the loop needs, about its median.
    need_sigma : ndarray, shape (m,)
    need_span, need_span_sigma : float
        Most less least of it; noise alone makes some, which is taken off.
    in_hand_percent, in_hand_sigma : ndarray, shape (m,)
    median_in_hand : tuple of float
        Over all the time with the tone, and its standard deviation.
    clip_fs : tuple of (float, float) or None, for the negative and the positive half
        Level and its standard deviation, of full scale, signed; None where the rail is not reached.
    """

    fit: CurveFit
    lines: OutputLines
    time_s: Floats
    f0_hz: Floats
    log_need: Floats
    need_sigma: Floats
    need_span: float
    need_span_sigma: float
    in_hand_percent: Floats
    in_hand_sigma: Floats
    median_in_hand: tuple[float, float]
    clip_fs: tuple[tuple[float, float] | None, tuple[float, float] | None]

    def pulled(self) -> Pulled:
        """By how much limiter and pole pull the pitch of the lowest and of the highest note."""
        _, _, pitch = handed_back(self.lines, self.fit.common, self.fit.log_need)
        return Pulled(
            ratio=(float(pitch[0]), float(pitch[-1])),
            lag_sigma_s=self.fit.lag_sigma_s(),
            percent=PULLED_PERCENT,
            by_lag=self.lines.network.growth,
        )


def read_amplifier(
    account: Account,
    topology: str | None,
    gain_control: str | None,
    build: BuildSettings | None,
    corner_known: bool,
    pole_hz: tuple[float, float] | None = None,
) -> Amplifier | str:
    """Fit the curve, or give the reason why it cannot be fitted.

    Parameters
    ----------
    account : Account
    topology, gain_control : str or None
    build : BuildSettings or None
    corner_known : bool
        The recorder's coupling has been undone in the frames.
    pole_hz : tuple of float, optional
        Gain-bandwidth that the pitch told, and its deviation, where none is stated.
    """
    if topology is None:
        return "state the topology"
    network = loop.loop_network(topology, build)
    if isinstance(network, str):
        return network
    if gain_control is None:
        return "state the gain control: only a limiter without memory shows its curve"
    if gain_control not in WITHOUT_MEMORY:
        return (
            f"a steady tone hides the gain in hand where the gain control ({gain_control}) has memory; record a start"
        )
    shape = account.shape
    if shape is None or shape.choice is None:
        return "too few rows show the wave at rest"
    lines = _lines(account)
    if lines is None:
        return "the wave slews at every note"
    if network.passes_dc and _is_lopsided(lines):
        return "unequal halves shift the mean, which these sections hand back and the recording does not hold"
    lines = replace(lines, network=network)
    corner = (0.0, 0.0) if corner_known else _corner(account)
    unstated = Unstated(lag_s=_lag(build, network, pole_hz), corner_hz=corner)
    fit = _fitted(account, lines, gain_control, unstated)
    if fit is None:
        return "the wave does not follow one curve without memory"
    fit = _without_unreached(fit, lines, unstated)
    lines = completed(lines, fit.stages, fit.numbers, fit.common, fit.log_need)
    return _along(account, fit, lines)


def _without_unreached(fit: CurveFit, lines: OutputLines, unstated: Unstated) -> CurveFit:
    """Fit again without a rail that the wave does not reach: near the crests it would still take a little of them."""
    if not fit.stages.rails:
        return fit
    bottom, top = curve_clips(fit, completed(lines, fit.stages, fit.numbers, fit.common, fit.log_need))
    if (bottom is None) == (top is None):
        return fit
    numbers = fit.numbers.copy()
    numbers[limiter.LOG_BOTTOM if bottom is None else limiter.LOG_TOP] += OPENED
    stages = replace(fit.stages, bottom=bottom is not None, top=top is not None)
    return fit_curve(lines, stages, numbers, unstated)


def _is_lopsided(lines: OutputLines) -> bool:
    """Even harmonics that are not small against the odd ones."""
    even, odd = (float(np.sum(np.abs(lines.y[:, first::2]) ** 2)) for first in (1, 2))
    return even > _LOPSIDED**2 * odd


def _lag(
    build: BuildSettings | None, network: loop.LoopNetwork, pole_hz: tuple[float, float] | None
) -> tuple[float, float]:
    """Time constant of the amplifier's pole and its uncertainty."""
    stated = build.opamp.gain_bandwidth_hz if build else None
    if stated is None and pole_hz is not None:
        lag = network.noise_gain / (2 * np.pi * pole_hz[0])
        return lag, math.hypot(lag * pole_hz[1] / pole_hz[0], _STRAY_LAG_S)
    if stated is None:
        more = network.noise_gain / loop.WIEN.noise_gain
        return more * LAG_S, more * _UNSTATED_LAG_S
    lag = network.noise_gain / (2 * np.pi * stated)
    return lag, math.hypot(_STATED_LAG * lag, _STRAY_LAG_S)


def _lines(account: Account) -> OutputLines | None:
    """H1 .. H10 of the account's bins, those without slewing."""
    assert account.shape is not None
    assert account.shape.choice is not None
    bins, sizes = account.shape.bins, account.shape.sizes
    use = np.ones(len(bins), dtype=bool)
    if sizes is not None:
        use = sizes.steepest < _FREE_OF_SLEW
    if not use.any():
        return None
    whole = use & ~_is_cut_off(bins.r, bins.fits)
    use = whole if whole.any() else use
    y = np.concatenate([np.ones((len(bins), 1)), bins.r], axis=1) * bins.amplitude_fs[:, None]
    noise = np.concatenate([np.zeros((len(bins), 1)), bins.noise], axis=1) * bins.amplitude_fs[:, None]
    noise[:, 0] = np.min(noise[:, 1:], axis=1, where=np.isfinite(noise[:, 1:]), initial=1e-3)
    return OutputLines(f0_hz=bins.f0_hz[use], y=np.asarray(y[use], dtype=complex), noise=noise[use])


def _is_cut_off(r: Complexes, fits: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Bins with significant harmonics outside the band: the last one below the limit is still strong."""
    last = np.where(fits, np.arange(r.shape[1]), 0).max(axis=1)
    return np.asarray((last < r.shape[1] - 1) & (np.abs(r[np.arange(len(r)), last]) > _STRONG_LAST))


def _corner(account: Account) -> tuple[float, float]:
    """Coupling corner that the account's own fit found, or an ordinary one, in hertz, and its deviation."""
    assert account.shape is not None
    assert account.shape.choice is not None
    found = account.shape.choice.best.unknown("corner")
    return (float(found[0][0]), _FOUND_CORNER_SIGMA_HZ) if found is not None else (_CORNER_HZ, _CORNER_SIGMA_HZ)


def _fitted(account: Account, lines: OutputLines, gain_control: str, unstated: Unstated) -> CurveFit | None:
    start = _guess(account, lines)
    first = fit_curve(
        lines, AmplifierStages(diodes=gain_control == "diodes", rails=gain_control == "none"), start, unstated
    )
    best = first
    if gain_control == "diodes" and first.chi2 > len(lines.f0_hz):
        both = fit_curve(lines, AmplifierStages(diodes=True, rails=True), start, unstated)
        if both.score < first.score - _MARGIN:
            best = both
    poor = best.chi2 > _POOR_CHI2 * len(lines.f0_hz) * min(1.0, 8.0 / len(lines.f0_hz))
    return None if best.residual_percent > _POOR_PERCENT or poor else best


def _guess(account: Account, lines: OutputLines) -> Floats:
    """Starting values, from the account's fit of the shape where it has them."""
    assert account.shape is not None
    assert account.shape.choice is not None
    fit = account.shape.choice.best
    found = {u.name: float(np.median(fit.vector[u.place])) for u in fit.layout.unknowns}
    amplitude = float(np.abs(lines.y[:, 0]).max())
    numbers = np.zeros(limiter.SIZE)
    at, bend = float(np.exp(found.get("q", -0.9))), found.get("B", 0.04)
    numbers[limiter.LOG_GAIN] = 0.03
    numbers[limiter.LOG_SHARE] = np.log(max(bend / at / (1.0 + bend / at), 0.01))
    numbers[limiter.LOG_AT] = np.log(at * amplitude)
    numbers[limiter.LOG_WIDTH] = found.get("w", -2.66)
    for number, name in ((limiter.LOG_TOP, "P"), (limiter.LOG_BOTTOM, "N")):
        numbers[number] = np.log(amplitude * min(max(found.get(name, found.get("T", 1.0)), 0.3), 1.05))
    numbers[limiter.LOG_KNEE] = np.log(0.01 * amplitude)
    return numbers


def _along(account: Account, fit: CurveFit, lines: OutputLines) -> Amplifier:
    """Needed gain and gain in hand of rows along the take, the curve being known."""
    assert account.shape is not None
    frames = account.frames
    # above the bins that were used the wave slews, or harmonics are missing
    top_hz = lines.f0_hz.max() if len(lines.f0_hz) < len(account.shape.bins) else np.inf
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(account.shape.rows & (frames.f0_hz <= top_hz))
    along = rows_along(frames, rows)
    f0, time_s, y = along.f0_hz, along.time_s, along.y
    nearest = np.argmin(np.abs(np.log(f0[:, None] / lines.f0_hz)), axis=1)
    # weighed as in the fit, so that rows and bins agree
    noise = np.where(along.present, lines.noise[nearest], np.inf)
    need, slopes = needed(fit, OutputLines(f0_hz=f0, y=y, noise=noise, network=lines.network))
    # while the level moves the gain is that much over what the loop needs
    rate = _growth_per_s(time_s, np.log(y[:, 0].real))
    smooth = smoothed(need - rate / (lines.network.growth * 2 * np.pi * f0), time_s, along.shared)
    # what is the same for the whole take moves all rows at once
    common = fit.for_all()
    gain = np.zeros(len(common))
    gain[0] = 1.0
    most, least = int(np.argmax(smooth.values)), int(np.argmin(smooth.values))
    gain_sigma = _OVERSTATED * np.hypot(smooth.sigma, _of(common, gain - slopes))
    sounding = _with_tone(account)
    tone_s = np.asarray(frames.time_s[sounding])
    near = f0[np.argmin(np.abs(tone_s[:, None] - time_s), axis=1)]
    with np.errstate(invalid="ignore"):
        moved = ~(np.abs(frames.f0_hz[sounding] / near - 1.0) < _SAME_NOTE)
    middle, unsure = median_of_take(time_s, smooth.values, tone_s, moved)
    unsure = math.hypot(unsure, _EDGE_ROWS * row_at_median(smooth.values) * len(f0) / max(len(tone_s), 1))
    in_hand = 100 * math.expm1(fit.numbers[limiter.LOG_GAIN] - middle)
    # of the common errors the median has its own part
    nearest_rows = np.argsort(np.abs(smooth.values - middle), kind="stable")[:_AT_THE_MEDIAN]
    own = slopes - slopes[nearest_rows].mean(axis=0)
    return Amplifier(
        fit=fit,
        lines=lines,
        time_s=time_s,
        f0_hz=f0,
        log_need=smooth.values - middle,
        need_sigma=np.sqrt(smooth.sigma**2 + _of(common, own) ** 2 + unsure**2),
        need_span=smooth.span,
        need_span_sigma=float(np.hypot(smooth.span_sigma, _of(common, slopes[[most]] - slopes[least])[0])),
        in_hand_percent=np.asarray(100 * np.expm1(fit.numbers[limiter.LOG_GAIN] - smooth.values)),
        in_hand_sigma=100 * gain_sigma,
        median_in_hand=(in_hand, 100 * math.hypot(median(gain_sigma), unsure)),
        clip_fs=curve_clips(fit, lines),
    )


def _with_tone(account: Account) -> NDArray[np.int64]:
    """Rows that hold the settled tone: from the first to the last that is judged, and the edges of the take beside."""
    frames = account.frames
    oscillating, judged = np.flatnonzero(frames.oscillating), np.flatnonzero(account.judged)
    if account.start.shown and len(judged):
        # while it grows the gain in hand is not the one that holds the level
        oscillating = oscillating[oscillating >= judged[0]]
    return oscillating


def _growth_per_s(time_s: Floats, log_level: Floats) -> Floats:
    """Slope of the level's logarithm at each row, 0 where no row is near."""
    if len(time_s) < 2:
        return np.zeros(len(time_s))
    near = np.diff(time_s) < _NEAR_S
    slope = np.where(near, np.diff(log_level) / np.diff(time_s), 0.0)
    sides = np.concatenate([[0.0], slope]) + np.concatenate([slope, [0.0]])
    return np.asarray(sides / np.maximum(np.concatenate([[0], near]) + 0.0 + np.concatenate([near, [0]]), 1.0))


def _of(covariance: Floats, slopes: Floats) -> Floats:
    """Standard deviation of sums of numbers, a row of factors each."""
    return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, covariance, slopes), 0.0)))


def needed(fit: CurveFit, lines: OutputLines) -> tuple[Floats, Floats]:
    """Logarithm of the gain that the loop needs at each row: the one with which the curve gives the harmonics seen.

    Returns
    -------
    log_need : ndarray, shape (n,)
    slopes : ndarray, shape (n, m)
        Its change with each number of `CurveFit.for_all`.
    """
    need = np.full(len(lines.f0_hz), float(np.median(fit.log_need)))
    scale = 1.0 / lines.sigma()

    def off(at: Floats, by: CurveFit = fit) -> Floats:
        node, curve_lines, _ = handed_back(lines, by.common, at)
        wave = limiter.output(by.stages, by.numbers, loop.cycles(node) * np.exp(-at)[:, None])
        misfit = (loop.harmonics(wave) - curve_lines[:, : loop.ORDERS]) * scale
        return np.concatenate([misfit.real, misfit.imag], axis=1)

    for _ in range(_NEED_ROUNDS):
        lines = completed(lines, fit.stages, fit.numbers, fit.common, need)
        now = off(need)
        slope = (off(need + _NEED_STEP) - now) / _NEED_STEP
        normal = np.maximum(np.sum(slope**2, axis=1), 1.0)
        need = need - np.clip(np.sum(slope * now, axis=1) / normal, -_NEED_STRIDE, _NEED_STRIDE)
    now = off(need)
    moved = [off(need, fit.moved(i, _NEED_STEP)) - now for i in range(len(fit.for_all()))]
    slopes = [-np.sum(slope * change, axis=1) / normal / _NEED_STEP for change in moved]
    return need, np.array(slopes).T


def curve_of(amplifier: Amplifier, volts_per_full_scale: float | None) -> AmplifierCurve:
    """Return the curve as a picture: output against what the network hands back at the median needed gain."""
    fit = amplifier.fit
    reach = 1.05 * float(np.max(np.abs(loop.cycles(amplifier.lines.y))))
    v = np.linspace(-reach, reach, _CURVE_POINTS)
    scale = volts_per_full_scale or 1.0
    middle = median(amplifier.log_need)
    y = limiter.output(fit.stages, fit.numbers, v)
    needed_gain = amplifier.lines.network.gain_needed
    gains = needed_gain * np.exp(np.array([amplifier.log_need.min(), middle, amplifier.log_need.max()]))
    return AmplifierCurve(
        input=tuple((v * scale / needed_gain).tolist()),
        output=tuple((y * scale).tolist()),
        unit="V" if volts_per_full_scale else "fs",
        needed_gain=tuple(gains.tolist()),
        residual_percent=fit.residual_percent,
    )
