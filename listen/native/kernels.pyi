"""The kernels, compiled: arrays and numbers in, arrays of the caller's filled.

Arrays are of just the type that is named, in C order; those that are filled must be writable. Nothing is converted.
Arguments of a wrong kind raise TypeError; lengths that do not fit, or a place outside of an array, raise ValueError.
What each kernel computes stands in plain Python under its name in `listen/track/reference*.py`.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

# the tracker's arrays are typed as floating point of any width; the kernels refuse the wrong one
Doubles = NDArray[np.floating[Any]]
"""Of float64."""
Singles = NDArray[np.floating[Any]]
"""Of float32."""
Ints = NDArray[np.int64]

LEVEL: str
"""The level of processor whose kernels are used: x86-64-v4, x86-64-v3, x86-64-v2, or plain on other processors."""

def decimate(x: Singles, taps: Singles, step: int, out: Singles) -> None:
    """Every step-th value of x filtered by 64 taps: out[i] = sum over j of taps[j] x[i step + j]."""

def decimate_near(x: Singles, taps: Singles, step: int, centres: Ints, reach: int, out: Singles) -> None:
    """As ``decimate``, but only out[centre - reach : centre + reach] of each of the rising centres."""

def line_powers(spectra: Singles, scale: float, out: Singles) -> None:
    """Squares of spectra (n, bins, 2), real and imaginary parts, times ``scale``: out (n, bins)."""

def take_windows(x: Singles, centres: Ints, window: Doubles, out: Singles) -> None:
    """Windowed pieces of x about centres, their mean taken off; x is 0 outside of itself: out (n, size)."""

def window_powers(x: Doubles, starts: Ints, width: int, out: Doubles) -> None:
    """Mean square about the mean of the samples starts[i] .. starts[i] + width, those that there are."""

def periodicity(x: Singles, centre: int, lag: int, span: int) -> float:
    """Mean squared difference between x and x one lag later, over their mean power: 0 periodic, 1 noise."""

def best_period(x: Singles, centre: int, period: float, out: Doubles) -> None:
    """Least of ``periodicity`` within 4 % of a period: out = (value, period in samples, interpolated)."""

def coarse_pitch(
    spectra0: Singles,
    spectra1: Singles,
    spectra2: Singles,
    d0: Singles,
    d1: Singles,
    d2: Singles,
    hops: Ints,
    rates: Doubles,
    size: int,
    edges: Doubles,
    lowest: float,
    peaks: Doubles,
    room: Doubles,
    out: Doubles,
) -> None:
    """One rough pitch a hop, from spectra at three rates and the signal's likeness to itself one period later.

    spectra (n, bins): power, each normalised so that a line has the same power at every rate, rates (3,). d0, d1, d2:
    the signal at half of each rate, band-limited to 0.18 of that, so that a lag between two samples can be
    interpolated, d0 at least within 128 samples of the hops; hops (n, 3): sample of each hop in each. edges (3,): up
    to which frequency spectrum 0, 1, 2 is searched. peaks (400, 3), room (3, 17): room. out (n, 4) = (f0 or 0, how
    unlike itself one period later 0..2, power of the strongest line, frequency).
    """

def level_windows(rest: Doubles, step: int, window: Doubles, out: Doubles, nan_share: Doubles) -> None:
    """Windows of a row of values, without their mean and their slope: a slow drift is no line.

    Window i begins at rest[i * step] and is as long as ``window``, which weighs it. out (n, at least as long): zeros
    behind it; nan_share (n,): the share of its values that are NaN; they count as 0.
    """

def limit_strays(values: Doubles, times: float, width: int, out: Doubles) -> None:
    """Values no further from the median around them than ``times`` the median of such distances.

    Around: ``width`` values, near an end the first or last so many.
    """

def line_levels(
    spectra: Doubles,
    scale: float,
    near: Ints,
    near_ends: Ints,
    floor_bins: Ints,
    floor_ends: Ints,
    room: Doubles,
    out: Doubles,
) -> None:
    """Amplitude of each line and of what is beside it: out (n, lines, 2).

    spectra (n, bins, 2): real and imaginary parts, times ``scale`` the amplitudes. Of line k: the largest of the bins
    near[near_ends[k]:near_ends[k + 1]], and the median of floor_bins[floor_ends[k]:floor_ends[k + 1]]; NaN where
    there is none. What stands out but rises on into the two bins beyond is the skirt of another line: then the median
    stands for the line too. room: as many as a line has bins beside it.
    """

def phase_samples(knots: Doubles, turns: Doubles, slopes: Doubles, first: int, dphi: Doubles, phase: Doubles) -> None:
    """Cubic Hermite phase (cycles) at samples first, first + 1, ...: its slope, itself; the end pieces go on."""

def short_frames(
    knots: Doubles,
    turns: Doubles,
    slopes: Doubles,
    first: int,
    x: Doubles,
    centres: Doubles,
    cycles: Doubles,
    out: Doubles,
) -> None:
    """First harmonic and power of short frames along a phase curve, weighted 1 + cos(2 pi v) over phase.

    knots, turns, slopes (k,): the curve, as in ``phase_samples``; x: samples first, first + 1 ..; centres, cycles (n,):
    phase of each frame's centre, rising, and its length; out[i] = (re, im, mean square, mean). A frame without a sample
    is 0.
    """

def place_knots(
    samples: Doubles, turns: Doubles, slopes: Doubles, spacing: float, start: float, stop: float, out: Doubles
) -> int:
    """Knots along a rough phase between two samples, whole half cycles and at least half of ``spacing`` samples apart.

    samples, turns, slopes (n,): the rough phase as a cubic Hermite curve; out (most, 3) = (sample, phase, slope);
    returns how many. Half cycles, so that the ripple at twice the pitch that a rough phase leaves is the same at
    every knot; steps are powers of two of them, so that the places do not depend on where one begins.
    """

def settle_knots(knots: Doubles, sums: Doubles, order: float, smoother: Doubles, within: float, out: Doubles) -> None:
    """Correct the knots of a rough phase by what short frames leave of it.

    knots (n, 3): of ``place_knots``; sums (n, 4): of ``short_frames``, of harmonic ``order``; out (7, n) = sample,
    phase, its slope, the slope before smoothing, amplitude, mean square about the mean, residue in cycles. The residue
    is smoothed by ``smoother`` (weights, odd many) where it departs from that by no more than ``within``.
    """

def curve_points(samples: Doubles, turns: Doubles, slopes: Doubles, places: Doubles, out: Doubles) -> None:
    """Cubic Hermite phase through knots (samples, turns, slopes) at some places: out (2, n) = itself, its slope.

    The end pieces go on beyond the ends. Places that rise are found fastest.
    """

def torn_places(
    values: Doubles, side: int, gap: int, least: float, over_noise: float, fits: Doubles, out: Doubles, found: Ints
) -> int:
    """Where lines through ``side`` values on both sides of a gap miss each other; returns how many places.

    The gap is the place and ``gap`` values on each side of it. values (n,); fits (3, at least n): room; out (3, m), m =
    n - 2 (side + gap), for each place: the jump from line to line, what their slopes' difference makes up to the
    middle, the larger scatter about them. found (m,): of these the places where the jump is more than ``least``, than
    ``over_noise`` times the scatter and than half of the second.
    """

def lay_frames(
    samples: Doubles,
    slopes: Doubles,
    calm: Doubles,
    centres: Doubles,
    middle: Doubles,
    slope: Doubles,
    cycles: Doubles,
    bent: float,
    low: float,
    high: float,
    out: Doubles,
) -> None:
    """Frames of whole, even numbers of cycles: out (3, n) = cycles, phase of the centre, least slope in the frame.

    samples, slopes, calm (k,): knots, their cycles a sample, and these without what a few knots differ by; centres,
    middle, slope, cycles (n,): sample, phase and slope of each row, and the cycles that its frame is to have. One over
    which the pitch departs from a straight line by more than ``bent`` times itself has half as many, three times at
    most; one that reaches beyond the phases ``low`` and ``high`` has as many as fit round its row and two at the
    least, and is moved to lie between them.
    """

def grid_places(
    knots: Doubles,
    turns: Doubles,
    slopes: Doubles,
    points: int,
    start: int,
    origin: float,
    place: Doubles,
    dphi: Doubles,
) -> None:
    """Where the grid's points start, start + 1 .. lie: samples after ``origin``, and cycles a sample there.

    knots, turns, slopes (k,): sample, phase in cycles and cycles a sample; between two knots time is a cubic of the
    phase with these slopes; the end pieces go on beyond the ends.
    """

def interpolate(
    x: Singles,
    place: Doubles,
    origin: float,
    middle: Singles,
    table: Singles,
    rows: Ints,
    shares: Singles,
    twice: Singles,
    out: Singles,
) -> None:
    """Signal x (x[0] at ``origin``) between its samples: out[i] = x at place[i], rising.

    The middle between each two samples by the taps ``middle`` (64,), symmetric; then all other places by taps from
    ``table`` (places, 3, 16). rows (2, m), shares (m,): room for m points at a time; twice (3 s,): for s samples, of
    which these may span no more than s - 20. What lies within 39 samples of the ends is drawn from what is there.
    """

def lay_points(
    knots: Doubles,
    turns: Doubles,
    slopes: Doubles,
    points: int,
    start: int,
    x: Singles,
    origin: float,
    middle: Singles,
    table: Singles,
    rows: Ints,
    shares: Singles,
    twice: Singles,
    place: Doubles,
    dphi: Doubles,
    y: Singles,
) -> None:
    """``grid_places`` of sample 0, and the signal there by ``interpolate``."""

def turn_table(size: int, cosine: Doubles, sine: Doubles) -> None:
    """Cosine and sine of 2 pi j / size for j = 0 .. size - 1."""

def sum_cycles(
    y: Singles,
    dphi: Doubles,
    start: int,
    points: int,
    lap: int,
    centres: Ints,
    cycles: Ints,
    scratch: Doubles,
    summed: Doubles,
    tilted: Doubles,
    means: Doubles,
) -> None:
    """Weighted sum of each frame's cycles, and the same with the derivative of the weight.

    y, dphi (n,): signal and cycles a sample at the grid's points start, start + 1 ..; centres, cycles (f,): point of y
    at each frame's centre, and its even number of cycles; scratch (2, longest frame). folded, tilted (f, lap): weights
    1 + cos(2 pi v) and sin(2 pi v), v the place in the frame, -1/2 to 1/2; a lap is a whole number of cycles and begins
    at a whole phase. means (f, 2): means under the first weight of dphi and of y^2.
    """

def leave(y: Singles, start: int, centres: Ints, tables: Singles, dc: Doubles, out: Singles) -> None:
    """What the mean cycles leave of the signal, faded from frame to frame.

    y at the grid's points start, start + 1 ..; centres (f,): rising points of y at which each frame's own cycle rules,
    before the first and after the last alone; tables (f, places): a whole number of cycles, without its mean, phase 0
    first; dc (f,): the means.
    """

def interharmonic_lines(
    r: Singles,
    points: int,
    cycles: int,
    centres: Ints,
    last: Ints,
    first: Ints,
    high: int,
    out: Doubles,
    halves: Singles,
) -> None:
    """Power between the harmonics: bins that are no harmonic nor next to one, from first[i] up to last[i].

    r: the residual at the points of a grid; frames of so many cycles of so many points round the points centres (f,),
    weighted 1 + cos(2 pi v), power over points^2. out[i] = (median, mean, bins, power at odd half orders below the
    sixth, their number, power of the bins from ``high`` on that stand ten times over the median, their mean place in
    bins). halves[i] = (real, imaginary part) of the lines at 1/2, 3/2 .. of the pitch, from the frame's start on.
    """

def residual_histogram(
    r: Singles,
    start: int,
    points: int,
    lap: int,
    edges: Ints,
    crests: Doubles,
    bins: int,
    scratch: Singles,
    out: Singles,
) -> None:
    """Power of the residual and of its first difference in equal parts of the cycle, each frame's own points.

    r at the grid's points start, start + 1 ..; a lap is a whole number of cycles and begins at a whole phase; edges
    (f + 1,): points between which each frame's own lie, if r has them; crests (f,): place in the cycle, give or take
    whole ones, at which part 0 has its middle; scratch (2, at least lap); out (f, 2, bins). A cycle of fewer than four
    points a part is read between its points.
    """

def gather_blocks(r: Singles, place: Doubles, first: int, last: int, origin: float, block: int, low: Doubles) -> None:
    """Add the residual's points first .. last times the time each stands for, and that time, to blocks of samples.

    place (n,): sample of each point; a point stands for half the way to each of its neighbours, the first and the last
    of the grid for nothing; block b begins at sample origin + b * block; low (blocks, 2).
    """

def subtract_mean_cycle(
    y: Singles,
    place: Doubles,
    start: int,
    points: int,
    lap: int,
    centres: Ints,
    tables: Singles,
    dc: Doubles,
    edges: Ints,
    crests: Doubles,
    bins: int,
    scratch: Singles,
    origin: float,
    block: int,
    residual: Singles,
    low: Doubles,
    histogram: Singles,
) -> None:
    """``leave``, then of the residual ``gather_blocks`` between the outer edges and ``residual_histogram``."""

def line_pitches(
    spectra: Doubles,
    scale: Doubles,
    tops: Ints,
    cycles: Ints,
    apart: float,
    amplitude: Doubles,
    turned: Doubles,
    used: Ints,
    sums: Doubles,
    far: Ints,
) -> None:
    """Harmonics of frames, and how far each one's phase runs from the rough pitch's.

    spectra (2, n, bins, 2): real and imaginary parts of the folded cycles' and of the tilted ones', times scale[i] the
    amplitudes; tops (n,): the highest harmonic to keep; cycles (n,). amplitude (n, harmonics + 1, 2): 0 above
    tops[i], the mean real and not doubled; turned (n, few): imaginary part of T_k A_k*; used (n,): the lowest lines
    that hold 98 % of the weight k^2 |A_k|^2 of the first ``few``; sums (n, 2): of k turned and of the weight over
    these; far (few up to 32,): of each line, the largest sum over successive frames of 2 for one whose relative
    deviation, turned / (k |A_k|^2 cycles), is further than ``apart`` from the first one's, and -1 for another.
    """

def loud_orders(amplitude: Doubles, limits: Ints, least: Doubles, out: Ints) -> None:
    """The highest harmonic below limits[i] whose power reaches least[i], 1 at the least.

    amplitude (n, harmonics + 1, 2): real and imaginary parts.
    """

def high_orders(amplitude: Doubles, limits: Ints, first: int, out: Doubles) -> None:
    """Mean square of the harmonics ``first`` .. limits[i] - 1, and their mean order; NaN where none fits, or all are 0.

    amplitude (n, harmonics + 1, 2): real and imaginary parts; out (n, 2).
    """

def cycle_shapes(
    amplitude: Doubles, rows: Ints, limits: Ints, least: Doubles, jump: float, points: int, out: Doubles
) -> None:
    """Extremes and flat spans of mean cycles, drawn from the harmonics whose power reaches least[i], and the first.

    amplitude (n, harmonics + 1, 2), limits, least (n,): as in ``loud_orders``; rows (m,) of these; points a cycle. The
    slope is tapered by Lanczos' factors over the first one's, and a cycle whose last quarter of harmonics falls as 1/k
    with more than ``jump`` of the first is tapered too. out[i] = (largest, least, part of the cycle above 98 % of the
    largest, part below 98 % of the least, steepest slope up, steepest slope down, place of the largest, of the
    least).
    """

def spectra_single(frames: Singles, out: Singles) -> None:
    """Spectra (n, size / 2 + 1, 2), real and imaginary parts, of real rows; size an even product of 2, 3 and 5."""

def spectra_double(frames: Doubles, out: Doubles) -> None:
    """The same in double precision."""

def rows_single(spectra: Singles, scale: float, out: Singles) -> None:
    """Real rows that have these spectra, times their length times ``scale``."""

def staged_lines(
    table: Doubles,
    returned: Doubles,
    solved: bool,
    own_levels: bool,
    own_slope: bool,
    inside: bool,
    second_stage: bool,
    out: Doubles,
) -> None:
    """Harmonics of one cycle that went through a chain of stages.

    table (n, 15): a row of `listen.account.curve.wave.Values` a cycle; returned (m, 18): H2 .. H10 over H1 of the
    output as measured, which a loop of one stage feeds back, row i mod m of them belongs to row i of the table, and
    the rows after the m-th start from what that one settled at; out (n, 20): the same of the wave that was
    worked out, gain of the fundamental, amplitude of the input. The flags are those of `Values`.
    """
