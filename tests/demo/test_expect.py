"""What the truth expects of made-up rows: level, dropouts, hunting, bounce, start, one cause said once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.demo import controls, expect, expect_circuit, recorder, take_specs, truth

LENGTH_S = 6.0
TIME_S = np.arange(0.13, LENGTH_S - 0.12, truth.HOP_S)


def rows(amplitude_fs: np.ndarray, **columns: np.ndarray) -> truth.Measured:
    blank = np.ones(len(TIME_S))
    plain = truth.Measured(
        time_s=TIME_S,
        f0_hz=np.where(amplitude_fs > 0.0, 300.0, np.nan),
        amplitude_fs=np.where(amplitude_fs > 0.0, amplitude_fs, np.nan),
        phase_1_rad=0.0 * blank,
        harmonics=np.zeros((len(TIME_S), 9)),
        crest_positive=blank,
        crest_negative=blank,
        flat_positive=blank,
        flat_negative=blank,
        slope_over_sine=blank,
    )
    return replace(plain, **columns)


def spec(control: controls.Control | None = None, gain_control: str | None = None) -> take_specs.TakeSpec:
    return take_specs.TakeSpec(
        family="test",
        control=control or controls.rest(300.0, LENGTH_S),
        recorder=recorder.Recorder(),
        level_dbfs=-10.0,
        gain_control=gain_control,
    )


def told(found: list[dict]) -> dict[str, str]:
    return {item["kind"]: item["severity"] for item in found}


def test_a_steady_level_expects_nothing() -> None:
    assert told(expect_circuit.circuit(rows(np.full(len(TIME_S), 0.3)), spec())) == {}


def test_no_level_at_all_is_an_absent_oscillation() -> None:
    found = expect_circuit.circuit(rows(np.zeros(len(TIME_S))), spec())
    assert told(found) == {"oscillation-absent": "fault"}


@pytest.mark.parametrize(
    ("span_db", "gain_control", "answer"),
    [(0.5, None, None), (1.1, None, "allowed"), (2.0, None, "attention"), (4.0, None, "fault"), (2.0, "diodes", None)],
)
def test_the_span_of_the_level_is_judged_by_the_stated_control(
    span_db: float, gain_control: str | None, answer: str | None
) -> None:
    amplitude = 0.3 * 10 ** (span_db * np.linspace(-0.5, 0.5, len(TIME_S)) / 20)
    measured = rows(amplitude)
    found = expect_circuit.level(measured, spec(gain_control=gain_control), measured.oscillating)
    assert told(found) == ({} if answer is None else {"level-drift": answer})


@pytest.mark.parametrize(("dead_s", "expected"), [(0.04, False), (0.3, True)])
def test_a_dropout_needs_twenty_decibels_for_a_while(dead_s: float, expected: bool) -> None:
    amplitude = np.where((TIME_S > 3.0) & (TIME_S < 3.0 + dead_s), 0.01, 0.3)
    found = expect_circuit.dropout(rows(amplitude), spec())
    assert ("oscillation-dropout" in told(found)) is expected


def test_a_dropout_for_good_lasts_to_the_end() -> None:
    (first, *_) = expect_circuit.dropout(rows(np.where(TIME_S > 4.0, 0.001, 0.3)), spec())
    assert first["intervals"][0][0] == pytest.approx(4.0, abs=0.03)
    assert first["intervals"][0][1] == LENGTH_S


@pytest.mark.parametrize(("depth", "answer"), [(0.005, None), (0.01, "allowed"), (0.03, "attention"), (0.1, "fault")])
def test_hunting_is_the_swing_over_the_sum(depth: float, answer: str | None) -> None:
    amplitude = 0.3 * (1 + depth * np.sin(2 * np.pi * 3.1 * TIME_S))
    found = told(expect_circuit.hunting(rows(amplitude), spec()))
    assert found.get("amplitude-hunting") == answer


def test_a_bounce_is_counted_from_the_step() -> None:
    control = controls.stairs([300.0, 600.0], LENGTH_S / 2)
    after = TIME_S - 3.0
    decibels = np.where(after > 0, 4.0 * np.exp(-np.maximum(after, 0) / 0.2) * np.cos(20 * after), 0.0)
    found = expect_circuit.bounce(rows(0.3 * 10 ** (decibels / 20)), spec(control))
    assert told(found)["amplitude-bounce"] == "fault"
    # 4 exp(-t/0.2) is 0.5 dB after 0.2 ln 8 = 0.416 s; the last half swing before that counts.
    assert found[0]["intervals"][0] == pytest.approx([3.0, 3.4], abs=0.08)


@pytest.mark.parametrize(("rise_s", "answer"), [(0.2, None), (0.5, "allowed"), (1.2, "attention"), (3.0, "fault")])
def test_a_start_is_timed_from_one_to_ninety_per_cent(rise_s: float, answer: str | None) -> None:
    amplitude = 0.3 * np.minimum(1.0, np.exp((TIME_S - 1.0 - rise_s) * np.log(90.0) / rise_s))
    found = told(expect_circuit.start(rows(np.where(TIME_S > 0.9, amplitude, 0.0)), 0.9))
    assert found.get("slow-start") == answer


def test_clipping_excuses_the_harmonics_that_it_brings() -> None:
    cut = np.full(len(TIME_S), 0.93)
    harmonics = np.zeros((len(TIME_S), 9))
    harmonics[:, 0] = harmonics[:, 1] = 0.02
    measured = rows(np.full(len(TIME_S), 0.3), crest_positive=cut, flat_positive=2.2 * cut / cut, harmonics=harmonics)
    found = told(expect_circuit.circuit(measured, spec()))
    assert found["asymmetric-clipping"] == "attention"
    assert found["even-order-distortion"] == found["odd-order-distortion"] == "allowed"


def test_slewing_excuses_the_level_that_falls_with_it() -> None:
    short = np.where(TIME_S > 3.0, 0.86, 1.0)
    amplitude = np.where(TIME_S > 3.0, 0.2, 0.3)
    found = told(expect_circuit.circuit(rows(amplitude, slope_over_sine=short), spec()))
    assert found["slew-limiting"] == "attention"
    assert found["level-drift"] == "allowed"


def test_intervals_bridge_small_gaps_and_drop_splinters() -> None:
    over = np.zeros(len(TIME_S), dtype=bool)
    over[10:30] = over[33:60] = over[100:102] = True
    (piece,) = expect.intervals(TIME_S, over)
    assert piece == pytest.approx([TIME_S[10] - 0.01, TIME_S[59] + 0.01], abs=1e-3)


def test_a_straight_drift_is_no_wander() -> None:
    held = [(0.5, 5.5)]
    assert expect.rest_rms_cents(TIME_S, 10.0 * TIME_S, held) < 1e-6
    wobble = 10.0 * TIME_S + np.sqrt(2) * 4.0 * np.sin(2 * np.pi * 2.0 * TIME_S)
    assert expect.rest_rms_cents(TIME_S, wobble, held) == pytest.approx(4.0, rel=0.02)
