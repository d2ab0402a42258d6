"""Truth of a solved circuit, measured on its noise-free wave cycle by cycle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.demo import truth as measuring
from listen.demo.expect_circuit import flat_share
from tests.takes.board import Reading
from tests.takes.causes_shape import CURVED_BELOW, FLAT_ABOVE, HALF_SURE_RATIO
from tests.takes.strokes import Play
from tests.takes.truths import LAMP_BOUNCE_DB, LAMP_SETTLING_S, Truth, limits_of, place, reached, severity

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HOP_S = 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """A solved wave.

    Attributes
    ----------
    wave : ndarray
        Volts at ``rate_hz``, from the file's first sample, no noise.
    file_rate_hz : float
    settles_alone : bool
        The shape is bent inside the loop, which sets the level, too: no share of it can be told apart.
    """

    wave: Floats
    rate_hz: float
    file_rate_hz: float
    play: Play
    corner_hz: float
    gain_control: str | None


def envelope(wave: Floats, rate_hz: float, hop_s: float = 0.002) -> Floats:
    """Return the peak of each 2 ms, spread over the longest cycle beside it."""
    hop = int(hop_s * rate_hz)
    peaks = np.abs(wave[: len(wave) // hop * hop]).reshape(-1, hop).max(axis=1)
    wide = 9
    padded = np.concatenate((np.zeros(wide), peaks, np.zeros(wide)))
    return np.max([padded[i : i + len(peaks)] for i in range(2 * wide + 1)], axis=0)


def cycle_levels(wave: Floats, phase: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Return the middle and the fundamental's amplitude of each single cycle: a Fourier sum over 2 pi of the guide."""
    turning = wave * np.exp(-1j * phase)
    total = np.concatenate(([0.0], np.cumsum(0.5 * (turning[1:] + turning[:-1]) * np.diff(phase))))
    ends = 2.0 * np.pi * np.arange(np.ceil(phase[0] / (2.0 * np.pi)), np.floor(phase[-1] / (2.0 * np.pi)))
    time_s = np.interp(ends, phase, np.arange(len(phase)) / rate_hz)
    at = np.interp(ends, phase, total.real) + 1j * np.interp(ends, phase, total.imag)
    return 0.5 * (time_s[1:] + time_s[:-1]), np.abs(np.diff(at)) / np.pi


def judged(solution: Solution) -> Truth:
    """Return what a check should say of a solved circuit."""
    truth = Truth()
    play, wave, rate_hz = solution.play, solution.wave, solution.rate_hz
    level = envelope(wave, rate_hz)
    level_s = 0.002 * (np.arange(len(level)) + 0.5)
    settled_v = float(np.quantile(level[level_s > play.power_s + 0.3], 0.6))
    start_s, up_s = _start(truth, solution, level, level_s, settled_v)
    phase = measuring.crossing_phase(wave)
    times_s = np.arange(up_s + 0.06, play.end_s - 0.08, HOP_S)
    rows = measuring.measure(wave / settled_v, phase, rate_hz, times_s, solution.file_rate_hz)
    stands = np.nan_to_num(rows.amplitude_fs) > 0.5 * np.nanquantile(rows.amplitude_fs, 0.6)
    dead = _dropout(truth, level, level_s, settled_v, up_s)
    bent = _shape(truth, rows, stands & ~_beside(times_s, dead), solution)
    calm = stands & ~_beside(times_s, dead) & ~_after_moves(times_s, play)
    _drift(truth, rows, calm, solution, bent)
    _hold(truth, solution, phase, dead)
    truth.parts |= {"settled_v": round(settled_v, 4), "first_s": round(start_s, 3), "t90_s": round(up_s, 3)}
    return truth


def _add(truth: Truth, kind: str, reading: Reading, *, strict: bool = True, why: str = "") -> bool:
    truth.parts[f"{kind}_size"] = round(reading.value, 4)
    where = place(reading)
    if where == "over" and strict:
        truth.expect(
            kind, reading.start_s, reading.end_s, severity=severity(reading), half=reading.half,
            also_accepted=reading.also_accepted,
        )  # fmt: skip
    elif where != "under":
        near = f"{reading.value:.3g} of {reading.limit:.3g}"
        for name in (kind, *reading.also_accepted):
            truth.allow(name, f"{near}, near" if strict else f"{near}: {why}")
    return where == "over"


def _start(truth: Truth, solution: Solution, level: Floats, level_s: Floats, settled_v: float) -> tuple[float, float]:
    """Judge 1 % to 90 % of the level that first settles."""
    power_s = solution.play.power_s
    if power_s == 0.0:
        return 0.0, 0.1
    after = level_s > power_s
    first_rest_s = solution.play.rests_s[0][1]
    reach = float(np.median(level[(level_s > first_rest_s - 0.3) & (level_s < first_rest_s)]))
    reach = reach if reach > 0.3 * settled_v else settled_v
    up = int(np.argmax(after & (level > 0.9 * reach)))
    low = int(np.flatnonzero(level[: up + 1] < 0.01 * reach)[-1])
    attention, fault = limits_of("slow-start", solution.gain_control)
    rise_s = float(level_s[up] - level_s[low])
    f0_hz = float(solution.play.control.f0_hz(np.array([power_s]))[0])
    value = rise_s if rise_s * f0_hz > 55.0 else 0.0
    _add(
        truth, "slow-start",
        Reading(value=value, limit=attention, fault=fault, start_s=float(level_s[low]), end_s=float(level_s[up])),
    )  # fmt: skip
    return float(level_s[low]), float(level_s[up])


def _dropout(truth: Truth, level: Floats, level_s: Floats, settled_v: float, up_s: float) -> list[tuple[float, float]]:
    down = (level < 0.1 * settled_v) & (level_s > up_s)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], down.astype(int), [0]))))
    holes = [(float(level_s[a]), float(level_s[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    longest = max((b - a for a, b in holes), default=0.0)
    weak = level_s[(level < 0.5 * settled_v) & (level_s > up_s)]
    if longest > 0.0:
        _add(
            truth, "oscillation-dropout",
            Reading(value=longest, limit=0.05, fault=0.05, start_s=holes[0][0], end_s=holes[-1][1]),
        )  # fmt: skip
    elif len(weak):
        truth.allow("oscillation-dropout", "it nearly dies")
    if len(weak) == 0:
        return []
    return [(float(weak[0]) - 0.3, float(weak[-1]) + 0.3)]


def _beside(times_s: Floats, pieces: list[tuple[float, float]]) -> Bools:
    inside = np.zeros(len(times_s), dtype=bool)
    for a, b in pieces:
        inside |= (times_s >= a) & (times_s <= b)
    return inside


def _after_moves(times_s: Floats, play: Play) -> Bools:
    return _beside(times_s, [(m.start_s - 0.05, m.end_s + 0.9) for m in play.moves])


def _shape(truth: Truth, rows: measuring.Measured, good: Bools, solution: Solution) -> bool:
    """Judge flattening by crest loss and flat span, curvature where nothing is flattened, slewing by the slope."""
    times_s, gain_control = rows.time_s, solution.gain_control
    flat_rows = np.zeros(len(times_s), dtype=bool)
    bent = False
    for kind, half in (
        ("asymmetric-clipping", "positive"), ("asymmetric-clipping", "negative"), ("symmetric-clipping", "both"),
    ):  # fmt: skip
        loss = _loss(rows, half)
        if kind == "symmetric-clipping" and any(e["kind"] == "asymmetric-clipping" for e in truth.expected):
            if reached(loss[good], hop_s=HOP_S) > 1.7:
                truth.allow(kind, "the other half is cut, too")
            continue
        attention, fault = limits_of(kind, gain_control)
        value = reached(loss[good], hop_s=HOP_S)
        if value < 0.85 * attention:
            continue
        worst = int(np.argmax(np.where(good, loss, -np.inf)))
        flat = rows.flat_negative if half == "negative" else rows.flat_positive
        share = flat_share(float(loss[worst]), float(flat[worst]), half)
        truth.parts[f"{half}_flat_share"] = round(share, 3)
        if share < CURVED_BELOW:
            continue
        over = good & (loss >= attention)
        curved = "odd-order-distortion" if half == "both" else "even-order-distortion"
        sure = half != "both" and np.any(over) and np.median(rows.f0_hz[over]) > HALF_SURE_RATIO * solution.corner_hz
        span = times_s[over] if np.any(over) else times_s[good]
        bent |= _add(
            truth, kind,
            Reading(
                value=value, limit=attention, fault=fault, start_s=float(span[0]), end_s=float(span[-1]),
                half="both" if half == "both" else half if sure else None,
                also_accepted=(curved,) if share < FLAT_ABOVE else (),
            ),
        )  # fmt: skip
        flat_rows |= loss > 0.5 * attention
    short = 100.0 * (1.0 - rows.slope_over_sine)
    attention, fault = limits_of("slew-limiting", gain_control)
    value = reached(short[good], hop_s=HOP_S)
    slewed = False
    if value > 0.5 * attention:
        over = times_s[good & (short >= attention)]
        start_s, end_s = (float(over[0]), float(over[-1])) if len(over) else (float(times_s[0]), float(times_s[-1]))
        slewed = _add(
            truth, "slew-limiting",
            Reading(value=value, limit=attention, fault=fault, start_s=start_s, end_s=end_s),
        )  # fmt: skip
        flat_rows |= short > 0.3 * attention
    _curves(truth, rows, good, flat_rows, gain_control)
    return bent or slewed


def _loss(rows: measuring.Measured, half: str) -> Floats:
    if half == "both":
        return 100.0 * (1.0 - np.maximum(rows.crest_positive, rows.crest_negative))
    mine, other = rows.crest_positive, rows.crest_negative
    if half == "negative":
        mine, other = other, mine
    return 100.0 * (1.0 - mine / other)


def _curves(truth: Truth, rows: measuring.Measured, good: Bools, flat_rows: Bools, gain_control: str | None) -> None:
    """Even and odd parts: expected where nothing is flattened or slewed, allowed where it is."""
    for kind, part in (("even-order-distortion", rows.even), ("odd-order-distortion", rows.odd)):
        attention, fault = limits_of(kind, gain_control)
        for strict, here in ((True, good & ~flat_rows), (False, good & flat_rows)):
            if np.count_nonzero(here) < 0.6 / HOP_S:
                continue
            value = reached(100.0 * part[here], hop_s=HOP_S)
            over = rows.time_s[here & (100.0 * part >= attention)]
            span = over if len(over) else rows.time_s[here]
            reading = Reading(value=value, limit=attention, fault=fault, start_s=float(span[0]), end_s=float(span[-1]))
            if strict and _add(truth, kind, reading):
                break
            if not strict:
                _add(truth, kind, reading, strict=False, why="bent inside the loop, which turns and raises it")


def _drift(truth: Truth, rows: measuring.Measured, calm: Bools, solution: Solution, bent: bool) -> None:
    """The level that is left along the tuning; where the loop itself is bent its share cannot be told apart."""
    if np.count_nonzero(calm) < 1.0 / HOP_S:
        return
    db = 20.0 * np.log10(rows.amplitude_fs[calm])
    # A second's mean: what hunts is no drift.
    slow = np.convolve(db, np.full(50, 0.02), "valid") if len(db) > 60 else db
    span = float(np.ptp(slow))
    attention, fault = limits_of("level-drift", solution.gain_control)
    reading = Reading(
        value=span,
        limit=attention,
        fault=fault,
        start_s=float(rows.time_s[calm][0]),
        end_s=float(rows.time_s[calm][-1]),
    )
    _add(truth, "level-drift", reading, strict=not bent, why="the loop is bent: a share of the level is the shape's")


def _hold(truth: Truth, solution: Solution, phase: Floats, dead: list[tuple[float, float]]) -> None:
    """Hunting in the rests (it does not decay), settling after quick moves (it does); cycle by cycle."""
    play, gain_control = solution.play, solution.gain_control
    times_s, levels = cycle_levels(solution.wave, phase, solution.rate_hz)
    alive = ~_beside(times_s, dead)
    deepest, hunt_s = 0.0, (play.power_s, play.end_s)
    fades = False
    for a, b in play.rests_s:
        here = (times_s >= a + 0.1) & (times_s <= b)
        level = levels[here]
        if len(level) < 30 or not np.all(alive[here]):
            continue
        t = np.linspace(-1.0, 1.0, len(level))
        level = level / np.polyval(np.polyfit(t, level, 2), t)
        half = len(level) // 2
        early, late = np.ptp(level[:half]) / 2.0, np.ptp(level[half:]) / 2.0
        fades |= late < 0.6 * early and early > 0.007
        if late > 0.6 * early and late > deepest:
            deepest, hunt_s = float(late), (a, b)
    attention, fault = limits_of("amplitude-hunting", gain_control)
    _add(
        truth, "amplitude-hunting",
        Reading(value=100.0 * deepest, limit=attention, fault=fault, start_s=hunt_s[0], end_s=hunt_s[1]),
    )  # fmt: skip
    if fades and 100.0 * deepest < attention:
        truth.allow("amplitude-hunting", "a ring that dies slowly")
    _bounce(truth, times_s, levels, alive, solution, hunts=100.0 * deepest > 0.85 * attention)


def _bounce(truth: Truth, times_s: Floats, levels: Floats, alive: Bools, solution: Solution, *, hunts: bool) -> None:
    play = solution.play
    if not play.moves:
        return
    db_limit, settle_limit = (LAMP_BOUNCE_DB, LAMP_SETTLING_S) if solution.gain_control == "lamp" else (1.0, 0.5)
    worst = 0.0
    for move, end_s in zip(play.moves, [*(m.start_s for m in play.moves[1:]), play.moves[-1].end_s + 1.2], strict=True):
        here = (times_s >= move.end_s) & (times_s < end_s - 0.03)
        level = levels[here]
        if len(level) < 20 or not np.all(alive[here]):
            continue
        db = np.abs(20.0 * np.log10(level / np.mean(level[-len(level) // 4 :])))
        over = np.flatnonzero(db > 0.5)
        settle_s = float(times_s[here][over[-1]] - move.end_s) if len(over) else 0.0
        worst = max(worst, float(np.max(db)) / db_limit, settle_s / settle_limit)
    reading = Reading(
        value=worst, limit=1.0, fault=None, start_s=play.moves[0].start_s, end_s=play.moves[-1].end_s + 1.2
    )
    _add(truth, "amplitude-bounce", reading, strict=not hunts, why="the level hunts")
