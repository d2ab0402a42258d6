"""Clipped, dead-banded, curved and slewed sines against closed forms, and what the recording does to them.

Sources: conduction-angle integrals of class-C texts (one-sided clipping; from memory), checked against the printout of
an established circuit simulator, ngspice (Debian): a behavioural source V = min(0.9, V(s)) gave THD 3.19156 % and DC
-0.0095383, both sides at 0.8 gave 8.94908 %. Chebyshev polynomials for curvature: any handbook. The phase rule, the
coupling's turn of it and the slewing follower were derived for this project and checked numerically.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad

from tests.tones import (
    RATE_HZ,
    bent,
    check_of,
    coupled,
    exponential,
    frames_of,
    kinds,
    middle,
    smooth_turn,
    steady,
    sum_of,
    white,
)

Floats = np.ndarray


def one_sided(level: float, orders: int = 10) -> tuple[Floats, float, float]:
    """Cosine coefficients A_1 .. of min(cos phi, level), the clipped half's crest and the other's."""
    t = np.arccos(level)
    k = np.arange(2, orders + 1)
    r1 = (t - level * np.sin(t)) / np.pi
    r0 = (np.sin(t) - level * t) / np.pi
    r = (np.sin((k - 1) * t) / (k - 1) - np.sin((k + 1) * t) / (k + 1)) / (np.pi * k)
    return np.concatenate([[1 - r1], -r]), (level + r0) / (1 - r1), (1 - r0) / (1 - r1)


ONE_SIDED = {
    # level: (H2..H10 in dBc, THD of H2..H10 %, clipped crest, other crest, loss %, flat part of the cycle %)
    0.98: (
        [-55.519, -55.695, -55.942, -56.263, -56.661, -57.137, -57.697, -58.346, -59.090],
        0.4347, 0.9825, 1.0008, 1.832, 6.377,
    ),
    0.95: (
        [-43.737, -44.182, -44.817, -45.655, -46.715, -48.023, -49.622, -51.574, -53.982],
        1.4127, 0.9598, 1.0033, 4.342, 10.108,
    ),
    0.90: (
        [-34.938, -35.853, -37.186, -39.001, -41.413, -44.637, -49.150, -56.455, -107.2],
        3.1916, 0.9269, 1.0093, 8.170, 14.357,
    ),
    0.80: (
        [-26.312, -28.250, -31.225, -35.702, -43.130, -75.494, -48.718, -46.389, -48.087],
        7.0415, 0.8725, 1.0263, 14.982, 20.483,
    ),
    0.50: (
        [-15.323, -21.344, -35.323, -35.323, -34.164, -44.267, -44.267, -41.344, -50.131],
        19.4472, 0.7570, 1.1075, 31.650, 33.333,
    ),
}  # fmt: skip
SYMMETRIC = {
    # level: (H3, H5, H7, H9 in dBc, THD %, crest)
    0.98: ([-49.659, -50.228, -51.102, -52.311], 0.5826, 0.9833),
    0.95: ([-38.103, -39.576, -41.944, -45.495], 1.8898, 0.9628),
    0.90: ([-29.666, -32.814, -38.449, -50.267], 4.1898, 0.9350),
    0.80: ([-21.739, -29.191, -68.983, -39.878], 8.9491, 0.8929),
    0.50: ([-12.905, -26.885, -35.828, -32.905], 23.2478, 0.8210),
}
DEAD_BAND = {
    0.01: ([-47.334, -51.774, -54.700, -56.887], 0.5528, 1.0028),
    0.04: ([-34.970, -39.444, -42.422, -44.680], 2.2877, 1.0115),
    0.10: ([-26.394, -31.066, -34.346, -37.014], 6.0355, 1.0311),
    0.20: ([-19.423, -24.839, -29.326, -33.815], 12.7620, 1.0709),
}


def positive_clip(level: float) -> Callable[[Floats], Floats]:
    return lambda c: 0.5 * np.minimum(c, level)


def clean(shape: Callable[[Floats], Floats], f0_hz: float, seconds: float = 0.8, snr_db: float = 80.0) -> Floats:
    """A bent sine of peak 0.5 at a signal-to-noise ratio."""
    x = bent(shape, lambda rate_hz: steady(f0_hz, seconds, rate_hz))
    return x + white(len(x), -6.02 - snr_db, 21)


def medians(x: Floats, ac_coupling_hz: float | None = None) -> tuple[Floats, float, float, float]:
    """H2..H10 in dBc, THD, positive and negative crest."""
    frames = frames_of(x, ac_coupling_hz=ac_coupling_hz)
    rows = middle(frames)
    return (
        np.median(frames.harmonics_dbc[rows], axis=0),
        float(np.median(frames.thd_percent[rows])),
        float(np.median(frames.crest_positive[rows])),
        float(np.median(frames.crest_negative[rows])),
    )


@pytest.mark.parametrize("level", ONE_SIDED)
def test_the_closed_form_is_the_integral_and_the_table(level: float) -> None:
    lines, cut, other = one_sided(level)
    harmonics, thd, want_cut, want_other, loss, _ = ONE_SIDED[level]
    t = np.arccos(level)
    for k in (1, 2, 5):
        free = quad(lambda p, k=k: np.cos(p) * np.cos(k * p), t, np.pi)[0]
        held = quad(lambda p, k=k: level * np.cos(k * p), 0, t)[0]
        assert lines[k - 1] == pytest.approx(2 / np.pi * (free + held), abs=1e-12)
    got = 20 * np.log10(np.maximum(np.abs(lines[1:] / lines[0]), 1e-6))
    np.testing.assert_allclose(got[:8], harmonics[:8], atol=6e-3)
    assert 100 * np.sqrt(np.sum((lines[1:] / lines[0]) ** 2)) == pytest.approx(thd, abs=6e-5)
    assert (cut, other) == pytest.approx((want_cut, want_other), abs=6e-5)
    assert 100 * (1 - cut / other) == pytest.approx(loss, abs=6e-4)


@pytest.mark.parametrize("f0_hz", [100.0, 441.3])
@pytest.mark.parametrize("half", ["positive", "negative"])
@pytest.mark.parametrize("level", ONE_SIDED)
def test_one_half_clipped(level: float, half: str, f0_hz: float) -> None:
    shape = positive_clip(level) if half == "positive" else lambda c: -0.5 * np.minimum(-c, level)
    harmonics, thd, positive, negative = medians(clean(shape, f0_hz))
    want, want_thd, cut, other, loss, _ = ONE_SIDED[level]
    strong = np.array(want) > -60.0
    # 0.1 dB above -60 dBc: at 80 dB the noise of one line is 0.03 dB there
    np.testing.assert_allclose(harmonics[strong], np.array(want)[strong], atol=0.1)
    assert thd == pytest.approx(want_thd, rel=0.005)
    got_cut, got_other = (positive, negative) if half == "positive" else (negative, positive)
    assert got_cut == pytest.approx(cut, rel=0.005)
    assert got_other == pytest.approx(other, rel=0.005)
    assert 100 * (1 - got_cut / got_other) == pytest.approx(loss, abs=0.5)


@pytest.mark.parametrize("level", ONE_SIDED)
@pytest.mark.parametrize("f0_hz", [1700.0, 3100.0, 6900.0])
def test_the_few_harmonics_that_fit_are_right(f0_hz: float, level: float) -> None:
    """At 48 kHz twelve, six and three harmonics of these fit: each is right, and the crests are those of their sum."""
    harmonics, _, positive, negative = medians(clean(positive_clip(level), f0_hz))
    fit = int(0.45 * RATE_HZ / f0_hz)
    lines, _, _ = one_sided(level, 40)
    want = 20 * np.log10(np.abs(lines[1:10] / lines[0]))
    assert np.isnan(harmonics[fit - 1 :]).all()
    strong = (want > -60.0) & (np.arange(2, 11) <= fit)
    np.testing.assert_allclose(harmonics[strong], want[strong], atol=0.1)
    cycle = sum_of(np.arange(8192) / 8192, list(lines[:fit] / lines[0]), 0.0)
    assert (positive, negative) == pytest.approx((cycle.max(), -cycle.min()), rel=0.005)


@pytest.mark.xfail(
    strict=True,
    reason="at 1.7 kHz a loss of 8.17 % reads 7.66, allowed 0.5 off: twelve harmonics ripple on the flat top",
)
def test_the_loss_is_read_whole_from_twelve_harmonics() -> None:
    _, _, positive, negative = medians(clean(positive_clip(0.9), 1700.0))
    assert 100 * (1 - positive / negative) == pytest.approx(8.170, abs=0.5)


@pytest.mark.parametrize("level", SYMMETRIC)
def test_both_halves_clipped(level: float) -> None:
    harmonics, thd, positive, negative = medians(clean(lambda c: 0.5 * np.clip(c, -level, level), 441.3))
    want, want_thd, crest = SYMMETRIC[level]
    for k, dbc in zip((3, 5, 7, 9), want, strict=True):
        if dbc > -60:
            assert harmonics[k - 2] == pytest.approx(dbc, abs=0.1)
    assert thd == pytest.approx(want_thd, rel=0.005)
    assert (positive, negative) == pytest.approx((crest, crest), rel=0.005)


@pytest.mark.parametrize("width", DEAD_BAND)
def test_a_dead_band(width: float) -> None:
    harmonics, thd, positive, negative = medians(
        clean(lambda c: 0.5 * np.sign(c) * np.maximum(np.abs(c) - width, 0.0), 441.3)
    )
    want, want_thd, crest = DEAD_BAND[width]
    np.testing.assert_allclose(harmonics[[1, 3, 5, 7]], want, atol=0.1)
    assert thd == pytest.approx(want_thd, rel=0.005)
    assert (positive, negative) == pytest.approx((crest, crest), rel=0.005)


@pytest.mark.parametrize(("limit", "sides", "thd"), [(0.9, 1, 3.19156), (0.8, 2, 8.94908)])
def test_a_circuit_simulator_printed_the_same(limit: float, sides: int, thd: float) -> None:
    """ngspice, ``fourier 1000``: its THD over ten harmonics, to the fundamental."""
    low = -limit if sides == 2 else -1.0
    assert medians(clean(lambda c: 0.5 * np.clip(c, low, limit), 1000.0))[1] == pytest.approx(thd, rel=0.002)


@pytest.mark.parametrize("snr_db", [80.0, 60.0, 40.0])
@pytest.mark.parametrize("half", ["positive", "negative"])
def test_the_right_half_is_named_in_noise(half: str, snr_db: float) -> None:
    sign = 1.0 if half == "positive" else -1.0
    x = bent(
        lambda c: sign * 0.5 * np.minimum(sign * c, 0.90), lambda rate_hz: exponential(200.0, 2000.0, 3.0, rate_hz)
    )
    result = check_of(x + white(len(x), -6.02 - snr_db, 22))
    found = [f for f in result.findings if f.kind == "asymmetric-clipping"]
    assert [f.half for f in found] == [half]
    assert kinds(result) == {"asymmetric-clipping"}


CURVES = {
    # shape: (H2, H3 in dBc, crest positive, crest negative)
    "x + 0.02 x^2": (lambda c: c + 0.02 * c**2, -40.000, None, 1.010, 0.990),
    "x - 0.04 x^3": (lambda c: c - 0.04 * c**3, None, -39.735, 0.9897, 0.9897),
    "x + 0.04 x^3": (lambda c: c + 0.04 * c**3, None, -40.257, 1.0097, 1.0097),
    "x - 0.02 x^2 - 0.04 x^3": (lambda c: c - 0.02 * c**2 - 0.04 * c**3, -39.735, -39.735, 0.9794, 1.0000),
    "tanh 0.5 x": (lambda c: np.tanh(0.5 * c), None, -34.149, None, None),
}


@pytest.mark.parametrize("name", CURVES)
def test_polynomials_have_the_harmonics_of_chebyshev(name: str) -> None:
    shape, second, third, positive, negative = CURVES[name]
    harmonics, _, got_positive, got_negative = medians(clean(lambda c: 0.5 * shape(c), 441.3, snr_db=90.0))
    assert harmonics[0] == pytest.approx(second, abs=0.02) if second else harmonics[0] < -80
    assert harmonics[1] == pytest.approx(third, abs=0.02) if third else harmonics[1] < -80
    if name.startswith("tanh"):
        assert harmonics[3] == pytest.approx(-66.627, abs=0.5)
    if positive:
        assert (got_positive, got_negative) == pytest.approx((positive, negative), abs=5e-4)


def test_what_leans_flattens_no_half() -> None:
    """cos phi + 0.01 sin 2 phi: H2 at -40 dBc, crests 1.0002 both."""
    harmonics, _, positive, negative = medians(sum_of(steady(441.3, 1.0), [0.5, -0.005j], 441.3))
    assert harmonics[0] == pytest.approx(-40.0, abs=0.01)
    assert (positive, negative) == pytest.approx((1.0002, 1.0002), abs=1e-4)


@pytest.mark.parametrize(
    ("lines", "k", "degrees"),
    [([1, 0.02], 2, 0), ([1, -0.02], 2, 180), ([1, 0.02j], 2, 90), ([1, 0, 0.02], 3, 0), ([1, 0, -0.02], 3, 180)],
)
def test_the_phase_rule(lines: list[complex], k: int, degrees: float) -> None:
    """psi_k = arg A_k - k arg A_1; turning the wave over turns psi_2 by 180 degrees and leaves psi_3."""
    x = sum_of(steady(441.3, 1.0), [0.4 * line for line in lines], 441.3)
    for sign, turn in ((1.0, 0.0), (-1.0, 180.0 if k == 2 else 0.0)):
        frames = frames_of(sign * x)
        psi = frames.harmonic_phase_rad[middle(frames), k - 2]
        off = np.degrees(np.angle(np.exp(1j * (psi - np.radians(degrees + turn)))))
        np.testing.assert_allclose(off, 0.0, atol=0.05)


COUPLING = {
    2: (-39.09, -70.23, 1.0211, 1.0097),
    5: (-16.91, -30.12, 0.9915, 1.0094),
    10: (-8.56, -15.22, 0.9639, 1.0093),
}


@pytest.mark.parametrize("ratio", COUPLING)
def test_the_coupling_turns_phases_and_crests_and_is_undone(ratio: int) -> None:
    """One RC high-pass turns psi_k by atan(fc / k f) - k atan(fc / f): near the corner the wrong half looks lost."""
    turn_2, turn_3, cut, other = COUPLING[ratio]
    f0_hz = 200.0
    corner_hz = f0_hz / ratio
    x = coupled(bent(positive_clip(0.9), lambda rate_hz: steady(f0_hz, 1.0, rate_hz)), corner_hz)
    frames = frames_of(x)
    rows = middle(frames)
    psi = np.degrees(np.median(np.unwrap(frames.harmonic_phase_rad[rows], axis=0), axis=0))
    # clipping flattens the positive half: psi_2 and psi_3 are 180 degrees before the coupling
    assert (psi[0] - 180 - turn_2 + 180) % 360 - 180 == pytest.approx(0.0, abs=0.3)
    assert (psi[1] - 180 - turn_3 + 180) % 360 - 180 == pytest.approx(0.0, abs=0.3)
    assert np.median(frames.crest_positive[rows]) == pytest.approx(cut, rel=0.005)
    assert np.median(frames.crest_negative[rows]) == pytest.approx(other, rel=0.005)
    undone = frames_of(x, ac_coupling_hz=corner_hz)
    rows = middle(undone)
    assert np.median(undone.crest_positive[rows]) == pytest.approx(0.9270, rel=0.005)
    assert np.median(undone.crest_negative[rows]) == pytest.approx(1.0093, rel=0.005)


def test_inside_a_bridge_harmonics_change_and_the_half_does_not() -> None:
    """What the amplifier adds at k f0 comes out of a Wien loop times 1 - 3j / (k - 1 / k): H2 up 6.99 dB, turned by 63.

    The positive half, clipped at 0.9 at the amplifier, is put through that filter; the half must still be named right.
    """
    lines, _, _ = one_sided(0.9, 40)
    k = np.arange(2, 41)
    gain = 1 - 3j / (k - 1 / k)
    assert 20 * np.log10(abs(gain[0])) == pytest.approx(6.990, abs=1e-3)
    assert np.degrees(np.angle(gain[:4])) == pytest.approx([-63.43, -48.37, -38.66, -32.01], abs=0.01)
    wave = np.concatenate([[lines[0]], lines[1:] * gain]) * 0.5
    phase, f0_hz = smooth_turn(150.0, 600.0, 2.0)
    result = check_of(sum_of(phase, list(wave), f0_hz) + white(len(phase), -86.0, 23))
    halves = {f.half for f in result.findings if f.kind in ("asymmetric-clipping", "even-order-distortion")}
    assert halves == {"positive"}


SLEW = {
    # f / fp: (level dB, H3, H5 in dBc, THD %, crest, slope short of the fundamental's own %)
    1.1: (-0.067, -35.001, -40.352, 2.0585, 1.0078, 8.39),
    1.2: (-0.293, -26.653, -37.898, 4.8823, 1.0343, 13.81),
    1.3: (-0.639, -22.939, -37.011, 7.3522, 1.0763, 17.21),
    1.5: (-1.531, -19.931, -30.355, 10.6288, 1.1732, 20.48),
    2.5: (None, -19.085, -27.959, 12.0477, 1.2337, 21.46),
}


def slewed(phase: Floats, rate_hz: float, slope: float) -> Floats:
    """A follower whose slope is held to ``slope`` a second, settled."""
    from listen.demo.waves import slew

    out = np.empty(len(phase))
    slew(0.5 * np.cos(2 * np.pi * phase), slope / rate_hz, slope / rate_hz, out)
    return out


@pytest.mark.parametrize("over", SLEW)
def test_a_slewed_sine(over: float) -> None:
    """Ideal follower with a slope limit: full-power frequency fp = SR / (2 pi Vp) (common practice)."""
    from tests.tones import decimated

    f0_hz = 600.0
    rate_hz = 8 * RATE_HZ
    x = decimated(slewed(steady(f0_hz, 0.8, rate_hz), rate_hz, 2 * np.pi * 0.5 * f0_hz / over))
    harmonics, thd, positive, negative = medians(x)
    level_db, third, fifth, want_thd, crest, short = SLEW[over]
    assert harmonics[1] == pytest.approx(third, abs=0.1)
    assert harmonics[3] == pytest.approx(fifth, abs=0.15)
    assert thd == pytest.approx(want_thd, rel=0.01)
    # a full triangle's sum of K harmonics falls short of its corner by 1 / (2 K) of 8 / pi^2
    corner = 0.0 if over < 1.862 else 1 / (2 * 0.45 * RATE_HZ / f0_hz)
    assert (positive, negative) == pytest.approx((crest - corner, crest - corner), rel=0.005)
    frames = frames_of(x)
    if level_db is not None:
        level = np.median(frames.fundamental_dbfs[middle(frames)]) + 6.0206
        assert level == pytest.approx(level_db, abs=0.005)
    slope = np.median(frames.slope_over_sine[middle(frames)])
    assert slope == pytest.approx(1 - short / 100, rel=0.03)


def test_slewing_starts_where_it_starts() -> None:
    """A sweep through fp: onset within a third of an octave, the slope in volts a microsecond within 3 %."""
    from listen.bench import Bench, CaptureSettings
    from tests.tones import decimated

    rate_hz = 8 * RATE_HZ
    full_power_hz = 1000.0
    phase, _ = smooth_turn(300.0, 2000.0, 3.0, rate_hz)
    x = decimated(slewed(phase, rate_hz, 2 * np.pi * 0.5 * full_power_hz))
    bench = Bench(capture=CaptureSettings(volts_per_full_scale=10.0))
    result = check_of(x + white(len(x), -86.0, 24), bench=bench)
    found = [f for f in result.findings if f.kind == "slew-limiting"]
    assert len(found) == 1
    evidence = found[0].evidence
    assert abs(np.log2(float(evidence["onset_f0_hz"]) / full_power_hz)) < 1 / 3
    want = 2 * np.pi * 0.5 * 10.0 * full_power_hz / 1e6
    slope = [value for name, value in evidence.items() if name.endswith("v_per_us")]
    assert slope == pytest.approx([want], rel=0.03)
    assert "symmetric-clipping" not in kinds(result)
