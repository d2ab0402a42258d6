"""Takes are what they claim: closed forms of textbooks, and plain measures with general tools."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from listen.demo import truth as measuring
from tests.takes import class_single, cycles, solvers, sounds, witness
from tests.takes.board import Rendered, render
from tests.takes.causes_shape import over_for
from tests.takes.files import rng_of
from tests.takes.needs import Order, draw_board
from tests.takes.solved import cycle_levels
from tests.takes.truths import Truth, truth_of

Floats = NDArray[np.float64]


def _made(kind: str, seed: int, times: float = 3.0) -> tuple[Rendered, Truth]:
    rng = rng_of("single", kind, seed)
    order = Order(times=times)
    board = draw_board(rng, class_single.CAUSES[kind].needs(rng, order))
    # A trembling hand smears the high lines that are to be measured.
    board.cents.clear()
    class_single.CAUSES[kind].build(board, rng, order)
    take = render(board, rng)
    return take, truth_of(take)


def _rest(take: Rendered, index: int) -> tuple[Floats, float]:
    start_s, end_s = take.board.play.rests_s[index]
    rate_hz = take.board.rate_hz
    f0_hz = float(take.board.play.control.f0_hz(np.array([0.5 * (start_s + end_s)]))[0])
    return take.samples[int(start_s * rate_hz) : int(end_s * rate_hz)], f0_hz


def test_one_sided_clip_has_the_series_of_a_conduction_angle() -> None:
    """Class-C conduction angle, any amplifier textbook: r_k of a cosine's top above ``a``."""
    a = 0.9
    t = np.arccos(a)
    k = np.arange(2, 11)
    tops = (np.sin((k - 1) * t) / (k - 1) - np.sin((k + 1) * t) / (k + 1)) / (np.pi * k)
    fundamental = 1.0 - (t - a * np.sin(t)) / np.pi
    cycle = np.minimum(np.cos(cycles.PHASE), a)[None, :]
    measured = cycles.measure(cycle, np.array([100.0]), 48000.0)
    np.testing.assert_allclose(np.abs(measured.harmonics[0]), np.abs(tops) / fundamental, atol=2e-6)
    assert measured.amplitude[0] == pytest.approx(fundamental, abs=1e-6)


def test_a_full_triangle_is_21_5_percent_short() -> None:
    """Series of a triangle, any handbook: slope 1 - pi/4 short of its fundamental's, third harmonic 1/9."""
    cycle, out = np.cos(cycles.PHASE)[None, :], np.empty((1, cycles.POINTS))
    cycles.slewed_cycles(cycle, np.ones(1), 2.0 * np.pi / 2.5, out)
    measured = cycles.measure(out, np.ones(1), 1e6)
    assert 1.0 - measured.slope_over_sine[0] == pytest.approx(1.0 - np.pi / 4.0, abs=2e-5)
    assert abs(measured.harmonics[0, 1]) == pytest.approx(1.0 / 9.0, abs=2e-4)


def test_slewing_starts_at_the_full_power_frequency() -> None:
    assert over_for(0.5) < 1.02
    assert over_for(21.0) > 1.5


@pytest.mark.parametrize("kind", ["asymmetric-clipping", "odd-order-distortion", "crossover-distortion"])
def test_a_file_holds_the_harmonics_of_its_truth(kind: str) -> None:
    take, _ = _made(kind, 0)
    piece, near_hz = _rest(take, 1)
    f0_hz, found_db = witness.harmonics_dbc(piece, take.board.rate_hz, near_hz)
    n = int(np.mean(take.board.play.rests_s[1]) * 2000.0)
    bent = cycles.run(take.board.stages, np.array([f0_hz]), take.level[n : n + 1])
    wanted = cycles.measure(bent, np.array([f0_hz]), take.board.rate_hz).harmonics[0]
    wanted_db = 20.0 * np.log10(np.maximum(np.abs(wanted), 1e-9))
    loud = np.isfinite(found_db) & (wanted_db > -65.0)
    assert np.count_nonzero(loud) >= 1
    np.testing.assert_allclose(found_db[loud], wanted_db[loud], atol=0.15)


def test_nothing_folds_back() -> None:
    """Between the harmonics of a clipped and slewed note there is nothing, where the recorder adds none."""
    rng = rng_of("single", "capture-quiet", 5)
    board = draw_board(rng, class_single.CAUSES["slew-limiting"].needs(rng, Order(times=3.0)))
    board.cents.clear()
    board.behind.clear()
    board.added.clear()
    class_single.CAUSES["symmetric-clipping"].build(board, rng, Order(times=5.0))
    class_single.CAUSES["slew-limiting"].build(board, rng, Order(times=5.0))
    board.recorder = replace(board.recorder, noise_dbfs=-160.0, hum_dbfs=-160.0, subtype="FLOAT")
    take = render(board, rng)
    piece, near_hz = _rest(take, 1)
    assert witness.residue_dbc(piece[:12000], board.rate_hz, near_hz, 1000.0, 0.44 * board.rate_hz) < -98.0


def test_a_swing_is_as_deep_and_a_pitch_wanders_as_far_as_claimed() -> None:
    take, truth = _made("amplitude-hunting", 1)
    piece, f0_hz = _rest(take, 0)
    envelope = np.abs(witness.analytic(piece, take.board.rate_hz, f0_hz, f0_hz / 3.0))[4000:-4000]
    assert witness.depth_percent(envelope) == pytest.approx(truth.parts["amplitude-hunting_size"], rel=0.1)
    take, truth = _made("pitch-instability", 1)
    piece, f0_hz = _rest(take, 1)
    turning = np.unwrap(np.angle(witness.analytic(piece, take.board.rate_hz, f0_hz, 40.0)[3000:-3000]))
    cents = 1200.0 * np.log2(1.0 + np.diff(turning) * take.board.rate_hz / (2.0 * np.pi * f0_hz))
    assert np.std(signal.detrend(cents)) == pytest.approx(truth.parts["pitch-instability_size"], rel=0.15)


@pytest.mark.parametrize("seed", [0, 1])
def test_what_is_added_is_as_loud_as_claimed(seed: int) -> None:
    take, truth = _made("parasitic-oscillation", seed)
    piece, f0_hz = _rest(take, 1)
    rate_hz = take.board.rate_hz
    found = witness.residue_dbc(piece[:12000], rate_hz, f0_hz, 0.05 * rate_hz, 0.499 * rate_hz)
    assert found == pytest.approx(truth.parts["parasitic-oscillation_size"], abs=0.5)
    take, truth = _made("subharmonic", seed)
    piece, near_hz = _rest(take, 1)
    f0_hz, amplitude = witness.fit_sine(piece, take.board.rate_hz, near_hz)
    lines = [witness.line(piece, take.board.rate_hz, (j + 0.5) * f0_hz) for j in range(3)]
    found = 20.0 * np.log10(np.sqrt(np.sum(np.square(lines))) / amplitude)
    assert found == pytest.approx(truth.parts["subharmonic_size"], abs=0.3)


def test_a_start_takes_as_long_as_claimed() -> None:
    take, truth = _made("slow-start", 0)
    rate_hz, f0_hz = take.board.rate_hz, take.board.play.low_hz
    envelope = np.abs(witness.analytic(take.samples[: int(6.0 * rate_hz)], rate_hz, f0_hz, 25.0))
    settled = np.median(envelope[int((take.start_s + 0.5) * rate_hz) : int((take.start_s + 0.8) * rate_hz)])
    up = int(np.argmax(envelope > 0.9 * settled))
    low = int(np.flatnonzero(envelope[:up] < 0.01 * settled)[-1])
    assert (up - low) / rate_hz == pytest.approx(truth.parts["slow-start_size"], rel=0.03)


def test_a_bridge_grows_as_the_textbook_says() -> None:
    """Roots of the Wien bridge, equal arms: s = w0 (A - 3) / 2; open laboratory manuals on op-amps have the rest."""
    gain, f0_hz, rate_hz = 3.03, 1591.549, 192000.0
    linear = solvers.Bridge(kind=0, numbers=(100.0,), curve=np.linspace(-100.0 * gain, 100.0 * gain, 8001))
    pitch = np.full(int(0.05 * rate_hz), f0_hz)
    wave = solvers.solve_bridge(
        pitch, np.ones_like(pitch), rate_hz, linear, solvers.Amplifier(high_v=1e6, low_v=-1e6),
        power_sample=0, kick_v=1e-3, noise_v=0.0,
    )  # fmt: skip
    times_s, levels = cycle_levels(wave, measuring.crossing_phase(wave), rate_hz)
    slope = np.polyfit(times_s[5:-5], np.log(levels[5:-5]), 1)[0]
    assert slope == pytest.approx(np.pi * f0_hz * (gain - 3.0), rel=0.01)


@pytest.mark.parametrize("e", [0.1, 0.2])
def test_van_der_pol_has_the_harmonic_of_perturbation_theory(e: float) -> None:
    """Perturbation texts: third harmonic e/8, pitch 1 - e^2/16 + 17 e^4/3072 of the linear one."""
    rate_hz = 192000.0
    wave = solvers.solve_other(np.full(int(1.6 * rate_hz), 1000.0), rate_hz, 0, (e,), power_sample=0, kick=2.0)
    rows = measuring.measure(wave / 2.0, measuring.crossing_phase(wave), rate_hz, np.array([1.5]), 48000.0)
    assert rows.harmonics[0, 1] == pytest.approx(e / 8.0, rel=0.01)
    assert rows.f0_hz[0] == pytest.approx(1000.0 * (1.0 - e**2 / 16.0 + 17.0 * e**4 / 3072.0), rel=1e-6)


def test_a_room_is_lengthened_as_loud_as_it_was() -> None:
    if sounds.folder() is None:
        pytest.skip("no folder of recorded sounds on this machine")
    for name in sounds.files("room")[:2]:
        room, _hum = sounds.lengthened(name, 44100, 44100 * 6, np.random.default_rng(1))
        assert np.sqrt(np.mean(room**2)) == pytest.approx(1.0, abs=0.12)


def test_a_take_depends_on_its_number_alone() -> None:
    one = class_single.SINGLE.make("mains-hum", 3, rng_of("single", "mains-hum", 3))
    other = class_single.SINGLE.make("mains-hum", 3, rng_of("single", "mains-hum", 3))
    assert np.array_equal(one.samples, other.samples)
    assert one.truth == other.truth
