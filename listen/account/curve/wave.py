"""One cycle through a chain of stages: curve, diode bend, dead band, two knees, limited slope, roll-offs.

Or dead band and curve in a second stage behind the knees, as in an output stage behind a loop that its diodes hold.

In plain NumPy: for a few cycles of many points, and the twin of the compiled kernel that a fit uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complex128]
Switches = tuple[bool, bool, bool, bool, bool]

ORDERS = 10
"""Harmonics that are looked at: as many as the frames table keeps and the kernel writes."""
NO_KNEE = 4.0
"""A knee at so many times the amplitude is none and is not worked out: over all levels that are looked for (3 at the
most)."""
SLOW = 0.6
"""Slope over the limit from which the follower is worked out: knees and curves make a wave steeper than its sine, and
there is room for two thirds more."""
_LEVELS = ("bend", "bend_at", "bend_width", "dead", "top", "bottom", "steep", "lag", "lean")
_NAMES = ("knee", "corner", "even", "", "odd", "", *_LEVELS)
KNEE, CORNER, EVEN, ODD = 0, 1, 2, 4
BEND, BEND_AT, BEND_WIDTH, DEAD, TOP, BOTTOM, STEEP, LAG, LEAN = range(6, 15)
COLUMNS = 15
"""Columns of the kernel's table, in the order of `_NAMES`; complex ones take two."""
POINTS, SOLVE_POINTS = 192, 64
"""Points of a cycle: what folds back onto ten harmonics is 97 dB down or more, slewing the most; and where the
fundamental alone is sought, which 64 give to 1e-4 (both computed)."""
TURNS, WARM_TURNS, LOOP_TURNS = 4, 2, 4
"""Times that the stage's own amplitude and the loop's pitch are sought: the fundamental is then right to 1e-5; and how
many more where what goes round a loop is worked out: its harmonics are then right to 1e-5 where H3 is 4 % of the
fundamental, to 3e-4 where it is 12 %, to 1e-2 where it is 28 % (computed, against 60 turns)."""
LOOP_GAIN = 0.75
"""Gain of a small signal over the fundamental's, with which a loop's harmonics are extrapolated: where it is 0.2,
crests held over most of the cycle, to 1 it comes nearer each time (computed)."""
FURTHEST, LEAST_RISE = 1.2, 0.05
"""Logarithm of the largest amplitude sought, 3.3 times what comes out, and the least growth: a square or a full
triangle grows no more."""
FURTHEST_TURN = 1.2
"""Radians that a stage may turn the fundamental: the loop then runs at 7.8 times its network's pitch, and near a
quarter of a turn the tangent runs away."""
SOFT = 0.006
"""Lag from which the limit of the slope is as soft as it is sudden: finer is not in so few points."""
SOFT_END = 1.5
"""A soft limit is reached at so many times the limit: the cubic z - 4 z^3 / 27 is flat there and 1."""
DEAD_ROUNDING = 0.004
"""A dead band's corners are rounded by this part of the amplitude: finer is not in ten harmonics, which it moves by -95
dBc (computed); sharper corners would need more points."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Values:
    """Values of all parameters, in each of n cycles.

    Levels are over the fundamental that comes out, or over the stage's own sine; so is the slope.

    Attributes
    ----------
    solved : bool
        The stage's own amplitude is sought: the one with which the fundamental that comes out is 1. Else it is 1.
    own_levels, own_slope : bool
        Clip levels, and the limited slope, go with the stage's own amplitude.
    inside : bool
        Within the loop of a Wien bridge: the input is what its network feeds back of the output as measured, or with a
        second stage of what the loop ends with, which is worked out.
    second_stage : bool
        Dead band, curve and limited slope come behind the knees; within a loop, behind the loop, which ends with the
        knees. Else the curve comes first.
    knee : ndarray, shape (n,)
        Width of the knees' rounding.
    corner : ndarray, shape (n,)
        Of the recorder's high-pass, over the pitch.
    even, odd : ndarray of complex, shape (n,)
        Curve: what is added at 2 and at 3 times the phase, over the stage's own amplitude. In a second stage the real
        part is the coefficient of Chebyshev's polynomial of what comes in.
    bend, bend_at : ndarray, shape (n,)
        Diode bend: what the diodes hold, and the level from which they do.
    bend_width : ndarray, shape (n,)
        Voltage by which a diode's current grows e-fold, over the voltage from which it conducts.
    dead : ndarray, shape (n,)
        Dead band, half its width over the stage's own amplitude.
    top, bottom : ndarray, shape (n,)
        Clip levels.
    steep : ndarray, shape (n,)
        Slope of the sine over the limit; 0: no limit. Of two unlike limits, over their geometric mean.
    lag : ndarray, shape (n,)
        Of the amplifier's first-order roll-off: pitch over its corner.
    lean : ndarray, shape (n,)
        Logarithm of the rising slope's limit over that mean; the falling one's is as far on the other side.
    """

    solved: bool
    own_levels: bool
    own_slope: bool
    inside: bool
    second_stage: bool
    knee: Floats
    corner: Floats
    even: Complexes
    odd: Complexes
    bend: Floats
    bend_at: Floats
    bend_width: Floats
    dead: Floats
    top: Floats
    bottom: Floats
    steep: Floats
    lag: Floats
    lean: Floats

    @property
    def flags(self) -> Switches:
        """As the kernel takes them."""
        return self.solved, self.own_levels, self.own_slope, self.inside, self.second_stage

    def table(self) -> Floats:
        """One row a cycle, as the kernel takes them."""
        out = np.empty((len(self.knee), COLUMNS))
        for column, name in enumerate(_NAMES):
            if name in ("even", "odd"):
                out[:, column], out[:, column + 1] = getattr(self, name).real, getattr(self, name).imag
            elif name:
                out[:, column] = getattr(self, name)
        return out


def of_table(table: Floats, flags: Switches) -> Values:
    """Values from the kernel's table."""
    columns: dict[str, Any] = {name: table[:, i] for i, name in enumerate(_NAMES) if name}
    for name in ("even", "odd"):
        i = _NAMES.index(name)
        columns[name] = table[:, i] + 1j * table[:, i + 1]
    solved, own_levels, own_slope, inside, second_stage = flags
    return Values(
        solved=solved, own_levels=own_levels, own_slope=own_slope, inside=inside, second_stage=second_stage, **columns
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OperatingPoint:
    """What a stage works at.

    Attributes
    ----------
    amplitude : ndarray, shape (n,)
        Of the input's fundamental.
    rise : ndarray, shape (n,)
        By how much the output grows with it, both in their logarithms.
    pitch : ndarray, shape (n,)
        Over the loop's network's own.
    spectrum : ndarray of complex, shape (n, 11)
        Harmonics 0 .. 10 of the input, the fundamental 1.
    loop : ndarray of complex, shape (n, 9)
        H2 .. H10 over H1 where the loop ends.
    """

    amplitude: Floats
    rise: Floats
    pitch: Floats
    spectrum: Complexes
    loop: Complexes


def sine_of(n: int) -> Complexes:
    """Harmonics 0 .. 10 of n sines."""
    spectrum = np.zeros((n, ORDERS + 1), dtype=complex)
    spectrum[:, 1] = 1.0
    return spectrum


def feedback_lines(r: Complexes, pitch: Floats) -> Complexes:
    """Harmonics 0 .. 10 of a Wien network's output, over its fundamental.

    Parameters
    ----------
    r : ndarray of complex, shape (n, 9)
        H2 .. H10 over H1 of its input.
    pitch : ndarray, shape (n,)
        Over the network's own, at which it turns no phase: 1 / (1 + j (x - 1 / x) / 3) is what it hands back.
    """
    spectrum = sine_of(len(r))
    spectrum[:, 2:] = r * _network(pitch)
    return spectrum


def _network(pitch: Floats) -> Complexes:
    """What it feeds back of H2 .. H10 over what it feeds back of the fundamental."""
    k = np.arange(2, ORDERS + 1) * pitch[:, None]
    own = 1.0 + 1j * (pitch - 1.0 / pitch)[:, None] / 3.0
    return np.asarray(own / (1.0 + 1j * (k - 1.0 / k) / 3.0))


def settled(values: Values, r: Complexes, near: OperatingPoint | None = None) -> OperatingPoint:
    """Operating point of a stage; within a loop from the measured harmonics, or with a second stage from its own.

    The amplitude: by secants. The pitch over the network's own: the network makes good what the stage turns the phase.
    ``near``: where stages that are nearly the same have settled, to start from.
    """
    n = len(r)
    new: Floats = np.zeros(n)
    rise: Floats = np.ones(n)
    pitch: Floats = np.ones(n)
    own_loop = values.inside and values.second_stage
    loop = np.zeros_like(r) if own_loop else r
    if near is not None:
        new, rise, pitch = np.log(near.amplitude), near.rise.copy(), near.pitch
        loop = near.loop if own_loop else r
    spectrum = feedback_lines(loop, pitch) if values.inside else sine_of(n)
    turn = np.exp(-2j * np.pi * np.arange(SOLVE_POINTS) / SOLVE_POINTS) * (2.0 / SOLVE_POINTS)
    old: Floats = np.zeros(n)
    old_off: Floats = np.zeros(n)
    turns = (TURNS if near is None else WARM_TURNS) + (LOOP_TURNS if own_loop else 0)
    for i in range(turns if values.solved or values.inside else 0):
        u = _first_stage(values, _cycle(spectrum, SOLVE_POINTS), np.exp(new))
        looped = u @ turn
        first = _second_stage(values, u, np.exp(new)) @ turn
        if own_loop:
            # most of what is new comes back again
            loop = loop + (_relative(u, np.zeros(n), values.lag) - loop) / (1.0 - LOOP_GAIN * _network(pitch))
            # none is stronger than the fundamental
            loop = np.clip(loop.real, -1.0, 1.0) + 1j * np.clip(loop.imag, -1.0, 1.0)
        if values.inside:
            # a limited slope has the lag in it, but not that of a loop before it
            lag = values.lag if own_loop else np.where(values.steep > SLOW, 0.0, values.lag)
            turned = np.angle(looped if own_loop else first) - np.arctan(lag)
            x = 3.0 * np.tan(np.clip(turned, -FURTHEST_TURN, FURTHEST_TURN))
            pitch = 0.5 * (x + np.sqrt(x * x + 4.0))
            spectrum = feedback_lines(loop, pitch)
        if not values.solved:
            continue
        off = np.log(np.maximum(np.abs(first), 1e-3))
        moved = np.abs(new - old) > 1e-9 if i else np.zeros(n, dtype=bool)
        rise[moved] = np.clip((off - old_off)[moved] / (new - old)[moved], LEAST_RISE, 4.0)
        old, old_off = new, off
        new = np.clip(old - off / rise, -FURTHEST, FURTHEST)
    return OperatingPoint(amplitude=np.exp(new), rise=rise, pitch=pitch, spectrum=spectrum, loop=loop)


def waves(values: Values, at: OperatingPoint, points: int) -> Floats:
    """Output of the stages over one cycle, before the recorder's high-pass: shape (n, points)."""
    return _second_stage(values, _first_stage(values, _cycle(at.spectrum, points), at.amplitude), at.amplitude)


def _cycle(spectrum: Complexes, points: int) -> Floats:
    padded = np.zeros((len(spectrum), points // 2 + 1), dtype=complex)
    padded[:, : ORDERS + 1] = spectrum * (points / 2)
    return np.fft.irfft(padded, points, axis=1)


def _first_stage(values: Values, sampled: Floats, amplitude: Floats) -> Floats:
    """One cycle up to the knees."""
    points = sampled.shape[1]
    a = amplitude[:, None]
    u = sampled
    if not values.second_stage and (values.even.any() or values.odd.any()):
        phase = 2 * np.pi * np.arange(points) / points
        u = u + np.real(values.even[:, None] * np.exp(2j * phase)) + np.real(values.odd[:, None] * np.exp(3j * phase))
    u = a * u
    if values.bend.any():
        u = u + values.bend[:, None] * diode_bend(u / values.bend_at[:, None], values.bend_width)
    if not values.second_stage:
        u = without_dead(u, values.dead, a)
    scale = amplitude if values.own_levels else np.ones(len(amplitude))
    s2 = ((scale * values.knee) ** 2)[:, None]
    for sign, level in ((1.0, values.top), (-1.0, values.bottom)):
        used = level < NO_KNEE
        if used.any():
            excess = sign * u - (scale * level)[:, None]
            u = np.where(used[:, None], u - sign * 0.5 * (excess + np.sqrt(excess**2 + s2)), u)
    return np.asarray(u)


def without_dead(u: Floats, dead: Floats, a: Floats) -> Floats:
    """What a dead band leaves of a wave; half its width over the amplitude ``a``."""
    if not dead.any():
        return u
    d, r2 = a * dead[:, None], (a * DEAD_ROUNDING) ** 2
    return np.asarray(u - 0.5 * (np.sqrt((u + d) ** 2 + r2) - np.sqrt((u - d) ** 2 + r2)))


def _second_stage(values: Values, u: Floats, amplitude: Floats) -> Floats:
    """On from the knees: what belongs to a second stage, and the limited slope."""
    if values.second_stage:
        a, phase = amplitude[:, None], 2 * np.pi * np.arange(u.shape[1]) / u.shape[1]
        even, odd = values.even[:, None], values.odd[:, None]
        u = without_dead(u, values.dead, a)
        y = u / a
        # Chebyshev's polynomials: of a sine they make the second and the third harmonic alone
        u = u + a * (even.real * (2.0 * y * y - 1.0) - even.imag * np.sin(2 * phase))
        u = u + a * (odd.real * y * (4.0 * y * y - 3.0) - odd.imag * np.sin(3 * phase))
    limited = values.steep > SLOW
    if limited.any():
        steep = values.steep / amplitude if values.own_slope else values.steep
        u = np.where(limited[:, None], slew(u, np.where(limited, steep, 1.0), values.lag, values.lean), u)
    return np.asarray(u)


def diode_bend(x: Floats, width: Floats) -> Floats:
    """Voltage across a resistor with two antiparallel diodes, as a function of the current through them.

    Both over what they are where the diodes conduct, which is where they carry as much as the resistor.

    Parameters
    ----------
    x : ndarray, shape (n, points)
    width : ndarray, shape (n,)
    """
    w, size = width[:, None], np.abs(x)
    volts = np.where(size < 2.0, 0.5 * size, 1.0 + w * np.log(np.maximum(size - 1.0, 1.0)))
    # v + sinh(v / w) / sinh(1 / w) = x, by Newton's method from above: it rises ever more steeply
    volts = np.minimum(np.maximum(volts, np.minimum(size, 1.0)), 1.0 + w * np.log(np.maximum(size, 1.0)))
    for _ in range(60):
        grown, fallen = np.exp((volts - 1.0) / w), np.exp(-(volts + 1.0) / w)
        scale = 1.0 / -np.expm1(-2.0 / w)
        off = volts + (grown - fallen) * scale - size
        volts = volts - off / (1.0 + (grown + fallen) * scale / w)
        if np.max(np.abs(off)) < 1e-13:
            break
    return np.asarray(np.copysign(volts, x))


def slew(u: Floats, steep: Floats, lag: Floats, lean: Floats) -> Floats:
    """Output of an amplifier with a first-order roll-off and a slew-rate limit: shape (n, points).

    What it is behind by, over its time constant, is its slope; the pair of transistors at its input bends that up to
    the limit of 1 / steep of a unit sine's own. Without a lag the limit is sudden. From a whole cycle before on:
    with unlike limits the mean has to settle, too.
    """
    points = u.shape[1]
    step = 2 * np.pi / points
    most, share = step / steep, 1.0 / (1.0 + lag / step)
    soft = lag / (lag + SOFT)
    up, down = most * np.exp(lean), most / np.exp(lean)
    held, out = u[:, 0], np.empty_like(u)
    for j in range(2 * points):
        far = (u[:, j % points] - held) * share
        own = np.where(far > 0.0, up, down)
        z = np.clip(far / own, -SOFT_END, SOFT_END)
        sudden = np.clip(far, -down, up)
        held = held + sudden + soft * (own * z * (1.0 - z * z * 4.0 / 27.0) - sudden)
        if j >= points:
            out[:, j - points] = held
    return out


def _relative(u: Floats, corner: Floats, lag: Floats) -> Complexes:
    """H2 .. H10 over H1 after a high-pass and the amplifier's roll-off; phases from the fundamental's."""
    lines = np.fft.rfft(u, axis=1)[:, 1 : ORDERS + 1] * (2.0 / u.shape[1])
    k = np.arange(1, ORDERS + 1)
    lines = lines / (1.0 - 1j * corner[:, None] / k) / (1.0 + 1j * lag[:, None] * k)
    first = lines[:, 0]
    size = np.maximum(np.abs(first), 1e-9)
    turn = (first / size).conj()
    return np.asarray(lines[:, 1:] / size[:, None] * turn[:, None] ** k[1:])


def staged_lines(
    table: Floats,
    returned: Floats,
    solved: bool,
    own_levels: bool,
    own_slope: bool,
    inside: bool,
    second_stage: bool,
    out: Floats,
) -> None:
    """Plain twin of the kernel of this name.

    out[i] = (real and imaginary part of H2 .. H10 over H1 of the recorded wave, phases psi_k; gain of the fundamental;
    amplitude of the input).
    """
    flags = (solved, own_levels, own_slope, inside, second_stage)
    r = returned[:, 0::2] + 1j * returned[:, 1::2]
    count = min(len(r), len(table))
    at = settled(of_table(table[:count], flags), r[:count])
    if len(table) > count:
        again = np.arange(len(table) - count) % count
        names = ("amplitude", "rise", "pitch", "spectrum", "loop")
        start = OperatingPoint(**{name: getattr(at, name)[again] for name in names})
        rest = settled(of_table(table[count:], flags), r[again], start)
        at = OperatingPoint(**{name: np.concatenate([getattr(at, name), getattr(rest, name)]) for name in names})
    values = of_table(table, flags)
    u = waves(values, at, POINTS)
    first = np.fft.rfft(u, axis=1)[:, 1] * (2.0 / u.shape[1])
    gain = np.abs(first) / at.amplitude
    # a limited slope has the lag in it
    relative = _relative(u, values.corner, np.where(values.steep > SLOW, 0.0, values.lag))
    out[:, 0:18:2], out[:, 1:18:2] = relative.real, relative.imag
    out[:, 18], out[:, 19] = gain, at.amplitude
