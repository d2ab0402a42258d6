"""Every kernel against its plain twin: seeded random input, constants, edge sizes, empty and not-finite input.

Run three ways: compiled, with every index checked (``scripts/test``), and uncompiled (``NUMBA_DISABLE_JIT=1``).
Tolerances: sums in another order differ by some 1e-13 of the sum of the magnitudes; interpolated peaks, where such a
difference is divided by a small curvature, by 1e-9.
"""

from __future__ import annotations

import inspect
import itertools
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from listen.track import coarse_kernels, kernels, reference, shape_kernels, signal_kernels
from listen.track.coarse import coarse_margin, hop_samples, spectrum_size
from tests.track.twins import Phase, assert_same, both, single

STEPS = {"_peak_bins", "_comb_fill", "_scan"}
MODULES = (kernels, coarse_kernels, shape_kernels, signal_kernels)


def kernels_of(module: ModuleType) -> dict[str, Any]:
    """All compiled functions of a module, as plain Python."""
    found = {}
    for name, value in vars(module).items():
        plain = getattr(value, "py_func", value)
        if inspect.isfunction(plain) and plain.__module__ == module.__name__:
            found[name] = plain
    return found


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__.rpartition(".")[2])
def test_every_kernel_has_a_twin_with_its_arguments(module: ModuleType) -> None:
    found = kernels_of(module)
    public = [name for name in found if not name.startswith("_")]
    assert public
    # steps inside a kernel are compared through it, and on their own where they have a twin here too
    for name in [*public, *(STEPS & set(found))]:
        plain = found[name]
        twin = getattr(reference, name, None)
        assert twin is not None, f"{name} has no twin"
        assert list(inspect.signature(twin).parameters) == list(inspect.signature(plain).parameters), name
        assert twin.__doc__, name


@pytest.mark.parametrize(("seed", "n", "slope"), [(1, 3000, 0.01), (2, 500, 0.3), (3, 120, 0.002), (4, 1, 0.01)])
def test_phase_samples(seed: int, n: int, slope: float) -> None:
    made = Phase(seed, max(n, 130), slope)
    results = []
    for owner in (kernels, reference):
        out = [np.empty(n) for _ in range(2)]
        owner.phase_samples(made.knots, made.turns, made.slopes, made.first, *out)
        results.append(out)
    for compiled, plain in zip(*results, strict=True):
        # the phase is some 1e3 cycles: its last digit is 2e-13 of a cycle
        np.testing.assert_allclose(compiled, plain, rtol=0, atol=4e-12)


def test_phase_samples_beyond_the_knots() -> None:
    knots, turns, slopes = np.array([10.0, 20.0, 30.0]), np.array([0.0, 1.0, 2.1]), np.array([0.1, 0.1, 0.12])
    results = []
    for owner in (kernels, reference):
        out = [np.full(60, np.nan) for _ in range(2)]
        owner.phase_samples(knots, turns, slopes, -5, *out)
        results.append(out)
    for compiled, plain in zip(*results, strict=True):
        assert np.isfinite(plain).all()
        np.testing.assert_allclose(compiled, plain, rtol=1e-12, atol=1e-12)


CYCLES = [2, 4, 5, 4, 8, 2]


@pytest.mark.parametrize("kind", ["noise", "constant", "zero", "not finite"])
def test_turn_down_and_short_frames(kind: str) -> None:
    made = Phase(5)
    x = {"noise": made.x, "constant": np.full(3000, 0.3), "zero": np.zeros(3000)}.get(kind, made.x.copy())
    if kind == "not finite":
        x[[1500, 1600]] = np.nan, np.inf
    room = np.empty((4, 3000), dtype=np.float32)
    kernels.turn_down(x, made.dphi, made.phase, room)
    plain = np.empty((4, 3000))
    reference.turn_down(x, made.dphi, made.phase, plain)
    # of products of 0.02 at the most
    assert_same(room, plain, atol=4e-9)
    centres, cycles = made.frames(CYCLES)
    frames = (made.dphi, made.phase, centres, cycles)
    compiled, plain = both("short_frames", kernels, room, *frames, out=(len(cycles), 4))
    # some hundreds of them added up
    assert_same(compiled, plain, atol=1.5e-7)
    assert np.isfinite(compiled).all() == (kind != "not finite")
    if kind == "noise":
        # the mean that was put in, within five times the noise's 0.01 / sqrt(100)
        np.testing.assert_allclose(compiled[:, 3], 0.1, atol=0.006)


@pytest.mark.parametrize("slope", [0.01, 0.3, 0.002])
def test_short_frames_anywhere(slope: float) -> None:
    """In no order, over the ends and beyond them: no sample there, no frame."""
    made = Phase(6, slope=slope)
    low, high = made.phase[0], made.phase[-1]
    centres = np.array([high - 1.0, low + 3.0, low - 9.0, high + 40.0, 0.5 * (low + high), low, high])
    cycles = np.array([4.0, 2.0, 2.0, 8.0, 4.0, 2.0, 2.0])
    turned = single(np.random.default_rng(6).standard_normal((4, 3000)) * made.dphi)
    compiled, plain = both("short_frames", kernels, turned, made.dphi, made.phase, centres, cycles, out=(7, 4))
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-6)
    np.testing.assert_array_equal(compiled[2:4], np.zeros((2, 4)))


def test_window_powers() -> None:
    x = np.random.default_rng(7).standard_normal(500) + 3.0
    starts = np.array([-200, -30, 0, 17, 480, 500, 900])
    compiled, plain = both("window_powers", kernels, x, starts, 96, out=(7,))
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-13)
    assert compiled[0] == 0.0
    assert compiled[-1] == 0.0


@pytest.mark.parametrize(("step", "n_out"), [(4, 1100), (2, 1), (1, 50), (3, 10), (4, 0)])
def test_decimate(step: int, n_out: int) -> None:
    rng = np.random.default_rng(11)
    taps, x = single(rng.standard_normal(64)), single(rng.standard_normal(n_out * step + 64))
    results = []
    for owner in (signal_kernels, reference):
        out = np.full(n_out, 7.0, dtype=np.float32)
        owner.decimate(x, taps, step, out)
        results.append(out)
    # single precision: 6e-8 of each product, some sixty of them
    np.testing.assert_allclose(results[0], results[1], rtol=0, atol=1e-5)


@pytest.mark.parametrize("beside", [0.0, 1e-44, 1e-20])
def test_a_bin_beside_an_empty_one_is_no_giant(beside: float) -> None:
    """One hop whose peak was blown up by its neighbour once silenced a whole take."""
    power = single(np.full(40, 1e-12))
    power[20] = 4e-12
    power[19] = beside
    for owner in (coarse_kernels, reference):
        peaks = np.zeros((10, 3))
        count = owner._peak_bins(power, 2, 38, 1e-14, 48000.0, 78, peaks, 0, 0)
        assert count >= 1
        assert peaks[:count, 1].max() < 1.2e-11


def test_decimate_near() -> None:
    rng = np.random.default_rng(12)
    taps, x = single(rng.standard_normal(64)), single(rng.standard_normal(2 * 500 + 64))
    results = []
    for owner in (signal_kernels, reference):
        out = np.full(500, 7.0, dtype=np.float32)
        owner.decimate_near(x, taps, 2, np.array([-50, 3, 100, 115, 300, 495, 900]), 20, out)
        results.append(out)
    np.testing.assert_allclose(results[0], results[1], rtol=0, atol=1e-5)
    # 23 + 55 + 40 + 25 places
    assert (results[0] != 7.0).sum() == 143


def test_decimate_with_a_sample_that_is_not_finite() -> None:
    x = np.ones(200, dtype=np.float32)
    x[100] = np.inf
    out = np.empty(34, dtype=np.float32)
    signal_kernels.decimate(x, np.full(64, 0.1, dtype=np.float32), 4, out)
    assert np.isinf(out).sum() == 16


def test_line_powers() -> None:
    spectra = single(np.random.default_rng(25).standard_normal((5, 33, 2)))
    results = []
    for owner in (signal_kernels, reference):
        results.append(np.empty((5, 33), dtype=np.float32))
        owner.line_powers(spectra, 0.25, results[-1])
    np.testing.assert_allclose(*results, rtol=1e-6)


@pytest.mark.parametrize("limits", [[30, 12, 2, 60, 90], [11, 11, 11, 12, 13]])
def test_high_orders(limits: list[int]) -> None:
    amplitude = np.random.default_rng(26).standard_normal((5, 60, 2))
    amplitude[3] = 0.0
    compiled, plain = both("high_orders", shape_kernels, amplitude, np.array(limits), 11, out=(5, 2))
    np.testing.assert_allclose(compiled, plain, rtol=1e-12)


def test_take_windows() -> None:
    rng = np.random.default_rng(23)
    x = (0.3 + rng.standard_normal(700)).astype(np.float32)
    centres = np.array([-5, 0, 40, 350, 640, 699, 720])
    compiled, plain = both("take_windows", signal_kernels, x, centres, np.hanning(128), out=(7, 128), kind=np.float32)
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("centre", "lag", "span"), [(500, 40, 62), (0, 40, 62), (999, 40, 62), (500, 1, 3), (500, 600, 401), (3, 0, 5)]
)
def test_periodicity(centre: int, lag: int, span: int) -> None:
    x = np.cos(2 * np.pi * np.arange(1000) / 41.3) + 0.1 * np.random.default_rng(12).standard_normal(1000)
    compiled = coarse_kernels.periodicity(x, centre, lag, span)
    assert compiled == pytest.approx(reference.periodicity(x, centre, lag, span), abs=1e-12)
    assert (compiled == 2.0) == (lag + span > 1000)


def test_periodicity_of_nothing_is_two() -> None:
    for owner in (coarse_kernels, reference):
        assert owner.periodicity(np.zeros(300), 150, 40, 62) == 2.0


@pytest.mark.parametrize("period", [24.0, 41.3, 3.0, 300.0])
@pytest.mark.parametrize("kind", ["tone", "noise", "zero"])
def test_best_period_and_scan(period: float, kind: str) -> None:
    n = np.arange(1500)
    rng = np.random.default_rng(13)
    x = {"tone": np.cos(2 * np.pi * n / period) + 0.3 * np.cos(4 * np.pi * n / period + 1), "zero": np.zeros(1500)}.get(
        kind, rng.standard_normal(1500)
    )
    compiled, plain = both("best_period", coarse_kernels, x, 700, 1.02 * period, out=(2,))
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-9)
    if kind == "tone" and period > 20.0:
        assert compiled[1] == pytest.approx(period, rel=1e-3)
    compiled, plain = both("_scan", coarse_kernels, x, 700, 22, 110, out=(2,))
    np.testing.assert_allclose(compiled, plain, rtol=0, atol=1e-12)


@pytest.mark.parametrize("kind", ["noise", "zero", "flat", "falling"])
@pytest.mark.parametrize("room", [100, 3])
def test_peak_bins_and_comb_fill(kind: str, room: int) -> None:
    rng = np.random.default_rng(14)
    power = {"zero": np.zeros(257), "flat": np.ones(257), "falling": np.linspace(1, 0, 257)}.get(
        kind, rng.exponential(1.0, 257)
    )
    results = []
    for owner in (coarse_kernels, reference):
        peaks = np.full((room, 3), 7.0)
        count = owner._peak_bins(power, 0, 300, 1e-14, 48000.0, 512, peaks, 1, 2)
        results.append((count, peaks))
    assert results[0][0] == results[1][0]
    np.testing.assert_allclose(results[0][1], results[1][1], rtol=1e-9)
    for order, f0 in itertools.product((2, 3, 16), (94.0, 1500.0)):
        compiled, plain = both(
            "_comb_fill", coarse_kernels, results[0][1], results[0][0], f0, order, 94.0, 0.5, out=(2,)
        )
        np.testing.assert_allclose(compiled, plain, rtol=1e-12)


def _coarse_input(x: np.ndarray, rate_hz: float, n_hops: int, monkeypatch: pytest.MonkeyPatch) -> tuple[Any, ...]:
    """What ``coarse_part`` hands to its kernel."""
    from listen.track import coarse

    caught: list[tuple[Any, ...]] = []
    monkeypatch.setattr(coarse.kernels, "coarse_pitch", lambda *args: caught.append(args))
    coarse.coarse_part(x, rate_hz, n_hops)
    monkeypatch.undo()
    return caught[0]


def _wave(kind: str, f0_hz: float, rate_hz: float, n: int) -> np.ndarray:
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
        *args, out = _coarse_input(_wave(kind, f0_hz, rate_hz, n), rate_hz, n_hops, monkeypatch)
        compiled, plain = both("coarse_pitch", coarse_kernels, *args, out=out.shape)
        np.testing.assert_allclose(compiled, plain, rtol=1e-8, atol=1e-12)
        if kind == "nothing":
            np.testing.assert_array_equal(compiled, [[0.0, 2.0, 0.0, 0.0]] * n_hops)


@pytest.mark.parametrize("cycles", [2, 4, 6, 8, 16, 40, 150])
@pytest.mark.parametrize("kind", ["noise", "constant", "zero"])
def test_between_lines(kind: str, cycles: int) -> None:
    rng = np.random.default_rng(16)
    shape = (7, 300, 2)
    spectrum = {"constant": np.ones(shape), "zero": np.zeros(shape)}.get(kind, rng.standard_normal(shape) ** 3)
    last = np.array([2, 200, 290, 300, 250, 298, 3])
    first = np.array([2, 2, 20, 30, 250, 5, 2])
    spectrum[5, 20] = 50.0
    spectrum = single(spectrum)
    power = np.empty((2, 303), dtype=np.float32)
    room = power, power[1].view(np.int32), np.empty(32, dtype=np.int32), np.empty(301, dtype=np.int32)
    args = (spectrum, 0.25, cycles, last, first, 3 * cycles // 2 + 2, *room)
    compiled, plain = both("between_lines", shape_kernels, *args, out=(7, 7))
    # power is kept in single precision
    np.testing.assert_allclose(compiled, plain, rtol=1e-6)
    if cycles == 2:
        # a frame of two cycles has no bin that is more than one away from a harmonic
        assert np.isnan(compiled[:, 0]).all()
        assert not compiled[:, 2].any()


@pytest.mark.parametrize("bad", [np.nan, -np.nan, np.inf])
def test_between_lines_of_a_spectrum_that_is_not_finite_stays_in_its_room(bad: float) -> None:
    """Bounds-checked this fails where a place is read that was not filled; the frames beside are as they were."""
    spectrum = single(np.random.default_rng(24).standard_normal((3, 300, 2)))
    results = []
    for value in (spectrum[1].copy(), bad):
        spectrum[1] = value
        power = np.empty((2, 303), dtype=np.float32)
        room = power, power[1].view(np.int32), np.empty(32, dtype=np.int32), np.empty(301, dtype=np.int32)
        out = np.empty((3, 7))
        ends = np.full(3, 300), np.full(3, 2)
        shape_kernels.between_lines(spectrum, 1.0, 16, *ends, 26, *room, out)
        results.append(out)
    np.testing.assert_array_equal(results[0][[0, 2]], results[1][[0, 2]])


@pytest.mark.parametrize("kind", ["tone", "noise", "zero", "not finite"])
@pytest.mark.parametrize("bins", [3, 40])
def test_line_pitches(kind: str, bins: int) -> None:
    rng = np.random.default_rng(31)
    spectra = rng.standard_normal((2, 9, bins, 2))
    if kind == "tone":
        spectra[0] /= np.arange(1, bins + 1)[:, None] ** 2
        spectra[1] *= 1e-4
    spectra *= kind != "zero"
    tops = np.array([1, 2, 5, 12, 13, 20, 39, 30, 7]).clip(1, bins - 1)
    if kind == "not finite":
        spectra[0, 3, 1] = np.nan
        spectra[1, 4, 2] = np.nan
    columns, few = int(tops.max()) + 1, min(12, int(tops.max()))
    results = []
    for owner in (shape_kernels, reference):
        rooms = np.empty((9, columns, 2)), np.empty((9, few)), np.zeros(9, dtype=np.int64), np.empty((9, 2))
        far = np.full(few, 99)
        scale, cycles = rng.uniform(1e-3, 2e-3, 9) if not results else results[0][-1], np.arange(2, 20, 2)
        with np.errstate(invalid="ignore"):
            owner.line_pitches(spectra, scale, tops, cycles, 0.02, *rooms, far)
        results.append((*rooms, far, scale))
    for compiled, plain in zip(*results, strict=True):
        np.testing.assert_allclose(compiled, plain, rtol=1e-11, atol=1e-15)
    amplitude, _, used, sums, far, _ = results[0]
    assert (amplitude[0, 2:] == 0.0).all()
    assert used.min() == 1
    if kind == "tone":
        assert (used <= tops).all()
        assert (sums[:, 1] > 0).all()
    if kind == "zero":
        assert not far.any()
    if kind == "noise":
        assert far[0] == 0
        assert 0 < far[1:].min() <= far.max() < 9


@pytest.mark.parametrize("kind", ["noise", "sawtooth", "sine", "not finite"])
def test_loud_orders_and_draw_cycles(kind: str) -> None:
    rng = np.random.default_rng(22)
    amplitude = 1e-3 * rng.standard_normal((6, 60, 2))
    if kind == "sawtooth":
        amplitude[:, 1:, 1] += 1.0 / np.arange(1, 60)
    elif kind != "noise":
        amplitude[:, 1, 0] = 0.5
    if kind == "not finite":
        amplitude[2, 40] = np.nan
    limits = np.array([2, 60, 60, 31, 9, 8])
    least = np.array([1e-6, 4e-6, 0.0, 1e-6, 1e-6, 1e9])
    orders = []
    for owner in (shape_kernels, reference):
        out = np.full(6, 7)
        owner.loud_orders(amplitude, limits, least, out)
        orders.append(out)
    np.testing.assert_array_equal(*orders)
    assert orders[0][0] == orders[0][5] == 1
    for bins, rows in ((33, np.array([0, 1, 3, 5])), (65, np.array([1, 2, 4]))):
        drawn = []
        for owner in (shape_kernels, reference):
            out = np.zeros((2, len(rows), bins, 2), dtype=np.float32)
            owner.draw_cycles(amplitude, rows, limits, least, 0.25, 64.0, np.empty(bins), out)
            drawn.append(out)
        # kept in single precision
        np.testing.assert_allclose(*drawn, rtol=2e-7, atol=1e-12)
        assert np.isfinite(drawn[0]).all()


@pytest.mark.parametrize("kind", ["noise", "sine", "constant", "zero", "square", "edge"])
def test_cycle_shape(kind: str) -> None:
    rng = np.random.default_rng(17)
    place = np.arange(256) / 256
    row = {
        "sine": np.cos(2 * np.pi * place + 0.4),
        "constant": np.full(256, 0.2),
        "zero": np.zeros(256),
        "square": np.where(place < 0.5, 1.0, -1.0),
        "edge": np.where(place < 0.001, 1.0, np.where(place > 0.997, -1.0, 0.0)),
    }.get(kind, rng.standard_normal(256))
    cycle = np.vstack([row, -row]).astype(np.float32)
    slope = (np.gradient(cycle, axis=1) * 256).astype(np.float32)
    compiled, plain = both("cycle_shape", shape_kernels, cycle, slope, out=(2, 8))
    # cycles are drawn in single precision, and a crest's place divides by its curvature
    np.testing.assert_allclose(compiled, plain, rtol=2e-5, atol=2e-6)
    if kind == "sine":
        # the part of a sine above 98 % of its crest: arccos(0.98) / pi; straight lines between 256 points: 1e-3
        np.testing.assert_allclose(compiled[:, 2:4], np.arccos(0.98) / np.pi, rtol=2e-3)
        np.testing.assert_allclose(compiled[:, 0], 1.0, rtol=1e-6)
