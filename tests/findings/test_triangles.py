"""Triangles with cut tips and unequal slopes, squares with unequal halves: series against waves, takes against limits.

Outside checks: SciPy's own sawtooth and square waves (scipy.signal), and the series of a triangle, 8 / pi^2 / k^2 for
odd k, as in any handbook of Fourier series.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import listen
from listen.findings.triangles import (
    tabled,
    tip_loss,
    tip_table,
    triangle_harmonics,
    whole_triangle,
)
from tests.tones import OVERSAMPLING, RATE_HZ, check_of, coupled, decimated, smooth_turn, white

POINTS = 1 << 14
PHASE = 2 * np.pi * np.arange(POINTS) / POINTS
SHAPES = {"asymmetric-clipping", "symmetric-clipping", "even-order-distortion", "odd-order-distortion", "slew-limiting"}


def lines_of(wave: np.ndarray, orders: int) -> np.ndarray:
    """Amplitudes of harmonics 1 .. of one cycle."""
    return np.abs(np.fft.rfft(wave))[1 : orders + 1] * 2 / len(wave)


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("level", [1.0, 0.9, 0.6, 0.2])
def test_the_series_of_a_cut_triangle_is_that_of_the_wave(level: float, both: bool) -> None:
    wave = np.clip(signal.sawtooth(PHASE + np.pi, 0.5), -level if both else -1.0, level)
    np.testing.assert_allclose(np.abs(triangle_harmonics(level, 12, both)), lines_of(wave, 12), atol=1e-6)


def test_a_whole_triangle_has_a_crest_of_pi_squared_over_eight() -> None:
    crest, flat = whole_triangle(400)
    assert crest == pytest.approx(np.pi**2 / 8, rel=2e-3)
    # 1 % of the cycle lies above 98 % of the crest; of a sine arccos(0.98) / pi
    assert flat == pytest.approx(0.01 / (np.arccos(0.98) / np.pi), rel=0.1)


def test_the_true_loss_of_one_tip_is_against_the_other_about_the_mean() -> None:
    table = tip_table(32, False)
    for place, level in ((0, 0.998), (29, 0.9), (79, 0.2)):
        wave = np.minimum(signal.sawtooth(PHASE + np.pi, 0.5), level)
        wave = wave - wave.mean()
        assert table.loss[place] == pytest.approx(1 - wave.max() / -wave.min(), abs=1e-4)
        assert table.h2[place] == pytest.approx(np.divide(*lines_of(wave, 2)[::-1]), abs=1e-5)


@pytest.mark.parametrize("orders", [12, 32, 104, 224])
def test_a_first_order_filter_rounds_both_tips_less_than_a_cut_flattens_them(orders: int) -> None:
    k = np.arange(1, orders + 1)
    for corner in np.geomspace(2.0, 50.0, 40):
        lines = np.where(k % 2 == 1, 8 / (np.pi * k) ** 2, 0.0) / (1 + 1j * k / corner)
        cycle = np.fft.irfft(np.concatenate([[0.0], lines]) * POINTS / 2, POINTS)
        flat = np.mean(cycle >= 0.98 * cycle.max()) / (np.arccos(0.98) / np.pi)
        read = 1 - cycle.max() / abs(lines[0]) / whole_triangle(orders)[0]
        loss, share = tip_loss(np.array([read]), np.array([flat]), np.array([orders]), both=True)
        # what is less than the limit is not told at all, nor what cannot be known
        assert loss[0] < 0.06 or not share[0] > 0.7


@pytest.mark.parametrize("orders", [6, 12, 40])
@pytest.mark.parametrize("both", [False, True])
def test_a_cut_that_few_harmonics_show_is_put_back(orders: int, both: bool) -> None:
    fits = int(tabled(np.array([orders]))[0])
    table = tip_table(fits, both)
    middle = len(table.loss) // 2
    read, flat = table.read_loss[middle : middle + 1], table.read_flat[middle : middle + 1]
    loss, share = tip_loss(read, flat, np.array([orders]), both)
    assert loss[0] == pytest.approx(table.loss[middle], abs=0.005)
    assert share[0] == pytest.approx(1.0, abs=0.02)


def shapes(result: listen.CheckResult) -> list[tuple[str, str, str | None]]:
    return [(f.kind, f.severity, f.half) for f in result.findings if f.kind in SHAPES and f.severity != "note"]


def take(wave: str, share: float = 0.5, low: float = -1.0, high: float = 1.0, corner_hz: float | None = None):
    """A turn from 220 to 880 Hz, as an ordinary interface records it; rounded by a filter where one is asked for."""
    rate = OVERSAMPLING * RATE_HZ
    phase = 2 * np.pi * smooth_turn(220.0, 880.0, 1.6, rate, 0.6)[0]
    whole = signal.sawtooth(phase, share) if wave == "triangle" else signal.square(phase, share)
    cut = np.clip(whole, low, high)
    if corner_hz:
        cut = signal.lfilter(*signal.butter(1, corner_hz, fs=rate), cut)
    x = coupled(0.3 * decimated(cut), 3.0)
    return check_of(x + white(len(x), -90.0), wave=wave)


@pytest.mark.parametrize("wave", ["triangle", "square"])
@pytest.mark.parametrize("corner_hz", [None, 20e3, 6e3, 3e3])
def test_a_healthy_wave_has_no_finding_of_shape_however_a_filter_rounds_it(wave: str, corner_hz: float | None) -> None:
    assert shapes(take(wave, 0.502 if wave == "triangle" else 0.505, corner_hz=corner_hz)) == []


@pytest.mark.parametrize("share", [0.476, 0.53])
@pytest.mark.parametrize("corner_hz", [4e3, 3e3])
def test_a_round_corner_beside_a_steeper_slope_is_no_cut_tip(share: float, corner_hz: float) -> None:
    kinds = [f.kind for f in take("triangle", share, corner_hz=corner_hz).findings]
    assert sorted(kinds) == ["corner-rounding", "slope-asymmetry"]


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-1.0, 0.94, ("asymmetric-clipping", "attention", "positive")),
        (-0.8, 1.0, ("asymmetric-clipping", "fault", "negative")),
        (-0.8, 0.8, ("symmetric-clipping", "fault", "both")),
    ],
)
def test_a_tip_that_is_cut_off_is_told_with_its_half(low: float, high: float, expected: tuple[str, str, str]) -> None:
    result = take("triangle", low=low, high=high)
    assert shapes(result) == [expected]
    assert "cut off" in result.findings[0].sentence
    loss = float(result.findings[0].evidence["crest_loss_percent"])
    edge = min(-low, high)
    mean = 0.25 * (1 - edge) ** 2
    first = float(triangle_harmonics(edge, 1, True)[0])
    true = 1 - edge / first / (np.pi**2 / 8) if low == -high else 1 - (edge + mean) / (1 - mean)
    assert loss == pytest.approx(100 * true, rel=0.1)


@pytest.mark.parametrize(
    ("wave", "share", "kind", "severity"),
    [
        ("triangle", 0.504, "slope-asymmetry", None),
        ("triangle", 0.506, "slope-asymmetry", "attention"),
        ("triangle", 0.486, "slope-asymmetry", "attention"),
        ("triangle", 0.516, "slope-asymmetry", "fault"),
        ("square", 0.504, "duty", None),
        ("square", 0.506, "duty", "attention"),
        ("square", 0.514, "duty", "attention"),
        ("square", 0.484, "duty", "fault"),
    ],
)
def test_unequal_slopes_and_halves_at_their_limits(wave: str, share: float, kind: str, severity: str | None) -> None:
    """SciPy's own waves, oversampled; half a point and one and a half points off the half are the limits."""
    result = take(wave, share)
    found = [f for f in result.findings if f.severity != "note"]
    assert [(f.kind, f.severity) for f in found] == ([(kind, severity)] if severity else [])
    name = "rise_percent" if wave == "triangle" else "duty_percent"
    figure = getattr(result.wave_figures, name)
    assert figure.value == pytest.approx(100 * share, abs=0.05)
    if found:
        assert found[0].evidence[name] == pytest.approx(100 * share, abs=0.05)
        assert found[0].evidence["off_percent"] == pytest.approx(100 * abs(share - 0.5), abs=0.1)


def test_the_shape_of_any_wave_is_not_judged() -> None:
    phase = smooth_turn(220.0, 880.0, 1.6, OVERSAMPLING * RATE_HZ, 0.6)[0]
    x = 0.3 * decimated(np.clip(signal.sawtooth(2 * np.pi * phase, 0.5), -1.0, 0.6))
    assert shapes(check_of(x + white(len(x), -90.0), wave="any")) == []
