"""The kernels of the rough pitch against their plain twins: seeded random input, constants, edge sizes, NaN.

Tolerances: sums in another order differ by some 1e-13 of the sum of the magnitudes, in single precision by 6e-8 of each
term; interpolated peaks, where such a difference is divided by a small curvature, by 1e-9.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.native import kernels
from listen.track import pitch_estimate
from listen.track.pitch_estimate import coarse_margin, hop_samples, spectrum_size
from tests.track.twins import TWINS, both, single


@pytest.mark.parametrize(("step", "n_out"), [(4, 1100), (2, 1), (1, 50), (3, 10), (4, 0)])
def test_decimate(step: int, n_out: int) -> None:
    rng = np.random.default_rng(11)
    taps, x = single(rng.standard_normal(64)), single(rng.standard_normal(n_out * step + 64))
    ((compiled, plain),) = both("decimate", x, taps, step, out=[single(np.zeros(n_out))])
    # single precision: 6e-8 of each product, some sixty of them
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-5)


def test_decimate_near() -> None:
    rng = np.random.default_rng(12)
    taps, x = single(rng.standard_normal(64)), single(rng.standard_normal(2 * 500 + 64))
    centres = np.array([-(2**62), -50, 3, 100, 115, 300, 495, 900, 2**62])
    ((compiled, plain),) = both("decimate_near", x, taps, 2, centres, 20, out=[single(np.full(500, 7.0))])
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-5)
    # 23 + 55 + 40 + 25 places
    assert (compiled != 7.0).sum() == 143


def test_decimate_with_a_sample_that_is_not_finite() -> None:
    x = np.ones(200, dtype=np.float32)
    x[100] = np.inf
    out = np.empty(34, dtype=np.float32)
    kernels.decimate(x, np.full(64, 0.1, dtype=np.float32), 4, out)
    assert np.isinf(out).sum() == 16


def test_line_powers() -> None:
    spectra = single(np.random.default_rng(25).standard_normal((5, 33, 2)))
    ((compiled, plain),) = both("line_powers", spectra, 0.25, out=[single(np.zeros((5, 33)))])
    np.testing.assert_allclose(compiled, plain, rtol=1e-6)


def test_take_windows() -> None:
    rng = np.random.default_rng(23)
    x = (0.3 + rng.standard_normal(700)).astype(np.float32)
    centres = np.array([-(2**62), -5, 0, 40, 350, 640, 699, 720, 2**62])
    ((compiled, plain),) = both("take_windows", x, centres, np.hanning(128), out=[single(np.zeros((9, 128)))])
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-6)


def test_window_powers() -> None:
    x = np.random.default_rng(7).standard_normal(500) + 3.0
    starts = np.array([-200, -30, 0, 17, 480, 500, 900])
    ((compiled, plain),) = both("window_powers", x, starts, 96, out=(7,))
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-13)
    assert compiled[0] == 0.0
    assert compiled[-1] == 0.0


@pytest.mark.parametrize(
    ("centre", "lag", "span"),
    [(500, 40, 62), (0, 40, 62), (999, 40, 62), (500, 1, 3), (500, 600, 401), (3, 0, 5), (2**62, 40, 62)],
)
def test_periodicity(centre: int, lag: int, span: int) -> None:
    tone = np.cos(2 * np.pi * np.arange(1000) / 41.3)
    x = single(tone + 0.1 * np.random.default_rng(12).standard_normal(1000))
    compiled = kernels.periodicity(x, centre, lag, span)
    assert compiled == pytest.approx(TWINS["periodicity"](x.astype(float), centre, lag, span), abs=1e-12)
    assert (compiled == 2.0) == (lag + span > 1000)


def test_periodicity_of_nothing_is_two() -> None:
    for owner in (kernels.periodicity, TWINS["periodicity"]):
        assert owner(single(np.zeros(300)), 150, 40, 62) == 2.0


@pytest.mark.parametrize("period", [24.0, 41.3, 3.0, 300.0, 1e9, np.inf, np.nan])
@pytest.mark.parametrize("kind", ["tone", "noise", "zero"])
def test_best_period(period: float, kind: str) -> None:
    n = np.arange(1500)
    tone = np.cos(2 * np.pi * n / period) + 0.3 * np.cos(4 * np.pi * n / period + 1)
    x = {"tone": tone, "zero": np.zeros(1500)}.get(kind, np.random.default_rng(13).standard_normal(1500))
    if not 1.0 < period < 1e3:
        # longer than what there is: nothing was compared, and none of it read outside of x
        out = np.zeros(2)
        kernels.best_period(single(x), 700, period, out)
        assert out[0] == 2.0 or np.isnan(period)
        return
    compiled, plain = np.empty(2), np.empty(2)
    kernels.best_period(single(x), 700, 1.02 * period, compiled)
    TWINS["best_period"](single(x).astype(float), 700, 1.02 * period, plain)
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-9)
    if kind == "tone" and period > 20.0:
        assert compiled[1] == pytest.approx(period, rel=1e-3)


def coarse_input(x: np.ndarray, rate_hz: float, n_hops: int, monkeypatch: pytest.MonkeyPatch) -> tuple[Any, ...]:
    """What ``coarse_chunk`` hands to its kernel."""
    caught: list[tuple[Any, ...]] = []
    with monkeypatch.context() as patch:
        patch.setattr(kernels, "coarse_pitch", lambda *args: caught.append(args))
        pitch_estimate.coarse_chunk(x, rate_hz, n_hops)
    return caught[0]


def wave(kind: str, f0_hz: float, rate_hz: float, n: int) -> np.ndarray:
    rng = np.random.default_rng(15)
    place = np.arange(n) * f0_hz / rate_hz
    noise = 1e-3 * rng.standard_normal(n)
    if kind == "sine":
        return 0.5 * np.cos(2 * np.pi * place) + noise
    if kind == "weak first":
        return 0.05 * np.cos(2 * np.pi * place) + 0.5 * np.cos(6 * np.pi * place + 1) + noise
    if kind == "pulse":
        top = min(60, int(0.45 * rate_hz / f0_hz))
        k = np.arange(1, top + 1)
        return 0.02 * np.cos(2 * np.pi * np.outer(place, k)).sum(axis=1) + noise
    if kind == "noise":
        return 300 * noise
    return np.zeros(n)


@pytest.mark.parametrize("kind", ["sine", "weak first", "pulse", "noise", "nothing"])
@pytest.mark.parametrize("rate_hz", [48000.0, 22050.0])
def test_coarse_pitch(kind: str, rate_hz: float, monkeypatch: pytest.MonkeyPatch) -> None:
    n_hops = 2
    n = 2 * coarse_margin(rate_hz) + (n_hops - 1) * hop_samples(rate_hz) + 1
    assert spectrum_size(rate_hz) >= 128
    for f0_hz in (31.0, 140.0, 441.3, 1200.0, 4100.0):
        *args, out = coarse_input(wave(kind, f0_hz, rate_hz, n), rate_hz, n_hops, monkeypatch)
        ((compiled, plain),) = both("coarse_pitch", *args, out=[out])
        np.testing.assert_allclose(compiled, plain, rtol=1e-8, atol=1e-12)
        if kind == "nothing":
            np.testing.assert_array_equal(compiled, [[0.0, 2.0, 0.0, 0.0]] * n_hops)


@pytest.mark.parametrize("beside", [0.0, 1e-44, 1e-20])
def test_a_bin_beside_an_empty_one_is_no_giant(beside: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """One hop whose peak was blown up by its neighbour once silenced a whole take."""
    n = 2 * coarse_margin(48000.0) + 1
    *args, out = coarse_input(np.zeros(n), 48000.0, 1, monkeypatch)
    for power in args[:3]:
        power[:] = 1e-12
        power[0, 20] = 4e-12
        power[0, 19] = beside
    ((compiled, plain),) = both("coarse_pitch", *args, out=[out])
    np.testing.assert_allclose(compiled, plain, rtol=1e-8, atol=1e-20)
    assert 0.0 < compiled[0, 2] < 1.2e-11


@pytest.mark.parametrize("bad", [np.nan, np.inf, -1.0])
def test_spectra_that_are_not_finite_lead_nowhere(bad: float, monkeypatch: pytest.MonkeyPatch) -> None:
    n = 2 * coarse_margin(48000.0) + 1
    *args, out = coarse_input(wave("sine", 441.0, 48000.0, n), 48000.0, 1, monkeypatch)
    for power in args[:3]:
        power[0, ::3] = bad
    kernels.coarse_pitch(*args, out)
    for signal in args[3:6]:
        signal[::5] = bad
    args[6][:] = 2**62
    kernels.coarse_pitch(*args, out)
