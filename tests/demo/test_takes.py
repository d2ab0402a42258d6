"""Controls, recorder, expectations, and the shipped takes against their truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.demo import controls, expect, expect_circuit, fixtures, recorder, scenario, take_specs, truth
from tests.takes.families import added as families_added
from tests.takes.families import healthy as families_healthy
from tests.takes.families import level as families_level
from tests.takes.families import shape as families_shape

FIXTURES = Path(__file__).parents[2] / "fixtures"


def sine_fit(samples: np.ndarray, rate_hz: float, f0_hz: float, harmonics: int) -> tuple[float, np.ndarray]:
    """Least-squares fit of a tone and its harmonics, pitch free (four-parameter fit of IEEE Std 1057, extended)."""
    n = np.arange(len(samples)) - len(samples) / 2
    k = np.arange(1, harmonics + 1)[None, :]
    omega = 2 * np.pi * f0_hz / rate_hz
    a, b = np.ones(1), np.zeros(1)
    for turn in range(4):
        cosines, sines = np.cos(k * omega * n[:, None]), np.sin(k * omega * n[:, None])
        base = np.hstack((np.ones((len(n), 1)), cosines, sines))
        if turn == 0:
            fit = np.linalg.lstsq(base, samples, rcond=None)[0]
            a, b = fit[1 : harmonics + 1], fit[harmonics + 1 :]
        slope = (n[:, None] * k * (-a * sines + b * cosines)).sum(axis=1)
        fit = np.linalg.lstsq(np.column_stack((base, slope)), samples, rcond=None)[0]
        a, b = fit[1 : harmonics + 1], fit[harmonics + 1 : -1]
        omega += fit[-1]
    return omega * rate_hz / (2 * np.pi), np.hypot(a, b)


def held_error(path: Path) -> tuple[float, float, float]:
    """Worst disagreement in the rests of a take: cents, dB of the fundamental, dB of harmonics over -50 dBc."""
    told = json.loads(path.with_suffix("").with_suffix(".truth.json").read_text(encoding="utf-8"))
    samples, rate_hz = soundfile.read(path)
    columns = {name: i for i, name in enumerate(told["frames_columns"])}
    worst = np.zeros(3)
    for start, end in told["held"]:
        middle = 0.5 * (start + end)
        row = min(told["frames"], key=lambda one: abs(one[0] - middle))
        if not start < row[0] < end:
            continue
        fit = min(15, int(0.45 * rate_hz / row[1]))
        half = max(0.03, 4.0 / row[1])
        f0_hz, sizes = sine_fit(
            samples[int((row[0] - half) * rate_hz) : int((row[0] + half) * rate_hz)],
            rate_hz,
            row[1],
            fit,
        )
        level = 20 * np.log10(sizes[0]) - row[columns["fundamental_dbfs"]]
        lines = [
            20 * np.log10(sizes[k - 1] / sizes[0]) - row[columns[f"h{k}_dbc"]]
            for k in (2, 3, 4, 5)
            if row[columns[f"h{k}_dbc"]] > -50.0
        ]
        here = (abs(1200 * np.log2(f0_hz / row[1])), abs(level), max(map(abs, lines), default=0.0))
        worst = np.maximum(worst, here)
    return float(worst[0]), float(worst[1]), float(worst[2])


def test_a_turn_rests_strokes_and_rests() -> None:
    control = controls.turn([100.0, 400.0], [1.0, 2.0, 1.0])
    time_s = np.array([-1.0, 0.5, 2.0, 3.5, 9.0])
    np.testing.assert_allclose(control.f0_hz(time_s), [100.0, 100.0, 200.0, 400.0, 400.0])
    assert control.held_s() == [(0.02, 0.98), (3.02, 3.98)]
    assert control.retunes_s() == []
    with pytest.raises(ValueError, match="durations"):
        controls.turn([100.0, 200.0], [1.0])


def test_stairs_step_and_an_exponential_sweep_is_even_in_octaves() -> None:
    assert controls.stairs([100.0, 200.0, 400.0], 0.5).retunes_s() == [0.5, 1.0]
    sweep = controls.turn([20.0, 20000.0], [0.0, 8.0, 0.0], shape="exponential")
    # Half-way through 20 Hz to 20 kHz is 632.4555 Hz, the geometric mean.
    assert sweep.f0_hz(np.array([4.0]))[0] == pytest.approx(632.4555, abs=1e-4)
    with pytest.raises(ValueError, match="a stroke ends"):
        controls.Control(strokes=(controls.rest(1.0, 1.0).strokes[0],) * 2)


def test_phase_is_the_integral_of_pitch_without_half_a_sample_lost() -> None:
    rate_hz = 48000.0
    time_s = np.arange(48001) / rate_hz
    phase = controls.phase_rad(100.0 + 200.0 * time_s, rate_hz)
    assert phase[-1] == pytest.approx(2 * np.pi * 200.0, abs=1e-6)


def test_decimation_keeps_the_band_and_the_time() -> None:
    rate_hz, factor = 48000, 8
    time_s = np.arange(rate_hz * factor) / (rate_hz * factor)
    for f_hz in (100.0, 5000.0, 21000.0):
        out = recorder.decimate(np.cos(2 * np.pi * f_hz * time_s), factor)[2000:-2000]
        want = np.cos(2 * np.pi * f_hz * time_s[::factor])[2000:-2000]
        np.testing.assert_allclose(out, want, atol=2e-4)
    gone = recorder.decimate(np.cos(2 * np.pi * 25000.0 * time_s), factor)[2000:-2000]
    assert np.abs(gone).max() < 1e-4


def test_the_coupling_is_a_single_pole() -> None:
    time_s = np.arange(96000) / 48000.0
    out = recorder.couple(np.cos(2 * np.pi * 20.0 * time_s), 48000.0, 20.0)[48000:]
    assert np.sqrt(2 * np.mean(out**2)) == pytest.approx(np.sqrt(0.5), rel=1e-3)
    assert np.all(recorder.couple(time_s, 48000.0, 0.0) == time_s)


def test_dither_costs_what_the_law_says() -> None:
    # 6.0206 n + 1.7609 dB less 4.77 dB: -93.32 dBFS at 16 bits (tutorials on converters).
    time_s = np.arange(4 * 48000) / 48000.0
    wave = 0.9 * np.sin(2 * np.pi * 997.0 * time_s)
    left = recorder.quantise(wave, "PCM_16", np.random.default_rng(1)) - wave
    assert 20 * np.log10(np.sqrt(2) * left.std()) == pytest.approx(-93.32, abs=0.1)


def test_hum_has_the_level_that_was_asked() -> None:
    time_s = np.arange(48000) / 48000.0
    hum = recorder.hum_wave(time_s, 50.0, -40.0, np.random.default_rng(2))
    assert 20 * np.log10(np.sqrt(2) * hum.std()) == pytest.approx(-40.0, abs=0.01)


def rows(values: np.ndarray) -> truth.Measured:
    blank = np.ones(len(values))
    return truth.Measured(
        time_s=np.arange(len(values)) * truth.HOP_S,
        f0_hz=200.0 * blank,
        amplitude_fs=0.3 * blank,
        phase_1_rad=0.0 * blank,
        harmonics=np.zeros((len(values), 9)),
        crest_positive=blank,
        crest_negative=blank,
        flat_positive=blank,
        flat_negative=blank,
        slope_over_sine=blank,
    )


@pytest.mark.parametrize(("worst", "answer"), [(0.7, None), (1.0, "allowed"), (1.3, "attention"), (3.5, "fault")])
def test_near_a_limit_either_answer_is_right(worst: float, answer: str | None) -> None:
    values = np.where(np.arange(100) >= 50, worst, 0.1)
    found = expect.over_limit("odd-order-distortion", values, rows(values), (1.0, 3.0))
    assert [item["severity"] for item in found] == ([] if answer is None else [answer])
    if answer in ("attention", "fault"):
        assert found[0]["intervals"] == [[0.99, 1.99]]


def test_a_hard_clip_has_a_share_of_one_and_a_square_law_little() -> None:
    phase = np.linspace(0, 2 * np.pi, 4096, endpoint=False)
    limit = families_shape.clip_limit(6.0, "positive")
    high, low, flat, _, _ = truth.cycle_shape(np.minimum(np.cos(phase), limit))
    assert 100 * (1 - high / low) == pytest.approx(6.0, abs=0.01)
    assert expect_circuit.flat_share(6.0, flat, "positive") == pytest.approx(1.0, abs=0.03)
    high, low, flat, _, _ = truth.cycle_shape(np.cos(phase) - 0.03 * np.cos(phase) ** 2)
    assert expect_circuit.flat_share(100 * (1 - high / low), flat, "positive") < 0.3


@pytest.mark.parametrize(
    "family",
    [
        families_shape.one_half_clipped,
        families_level.level_with_pitch,
        families_added.alternate_cycles,
        families_healthy.clean_sine,
        families_healthy.standard_wave,
    ],
)
def test_the_truth_of_a_random_take_agrees_with_a_sine_fit_of_its_file(family, tmp_path: Path) -> None:
    spec = family(np.random.default_rng(7))
    # One level of hum and noise that leave a sine fit alone; a rest to fit in.
    quiet = replace(spec.recorder, noise_dbfs=-110.0, hum_dbfs=-140.0, ac_coupling_hz=0.5, subtype="PCM_24")
    low_hz, high_hz = spec.control.f0_hz(np.array([0.0, spec.control.end_s]))
    control = controls.turn([float(low_hz), float(high_hz)], [0.8, 0.5, 0.8])
    take_specs.make(replace(spec, recorder=quiet, control=control), "take", tmp_path, seed=3)
    cents, level_db, harmonic_db = held_error(tmp_path / "take.wav")
    assert cents < 0.1
    assert level_db < 0.02
    assert harmonic_db < 0.1


def test_the_same_seed_makes_the_same_take(tmp_path: Path) -> None:
    spec = families_healthy.mains_tone(np.random.default_rng(1))
    for name in ("one", "two"):
        take_specs.make(spec, name, tmp_path, seed=5)
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_the_shipped_takes_are_small_and_complete() -> None:
    for name in scenario.TAKES:
        assert (FIXTURES / f"{name}.wav").exists()
        assert json.loads((FIXTURES / f"{name}.truth.json").read_text(encoding="utf-8"))["name"] == name
    assert sum(path.stat().st_size for path in FIXTURES.iterdir()) < 4.5e6
    assert (FIXTURES / f"{scenario.NAME}.wav").stat().st_size < 1.7e6


@pytest.mark.parametrize("name", list(scenario.TAKES))
def test_a_shipped_take_agrees_with_its_truth(name: str) -> None:
    cents, level_db, harmonic_db = held_error(FIXTURES / f"{name}.wav")
    assert cents < 0.1
    assert level_db < 0.02
    assert harmonic_db < 0.1


def test_the_demonstration_flattens_its_positive_half_from_the_middle_of_the_turn() -> None:
    told = json.loads((FIXTURES / f"{scenario.NAME}.truth.json").read_text(encoding="utf-8"))
    (only,) = told["expected"]
    assert (only["kind"], only["half"], only["severity"]) == ("asymmetric-clipping", "positive", "fault")
    low_hz, high_hz = told["summary"]["f0_low_hz"], told["summary"]["f0_high_hz"]
    assert low_hz * 1.5 < only["evidence"]["onset_f0_hz"] < high_hz / 1.5
    lead, _ = soundfile.read(FIXTURES / f"{scenario.NAME}.wav", stop=47000)
    assert np.abs(lead).max() < 1e-3
    mended = json.loads((FIXTURES / "sine-board-mended.truth.json").read_text(encoding="utf-8"))
    assert mended["expected"] == []


def test_fixtures_name_what_is_wrong_with_the_call(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert fixtures.main([]) == 2
    assert fixtures.main([str(tmp_path / "nowhere")]) == 2
    assert fixtures.main([str(tmp_path), "gong"]) == 2
    assert "no take is called gong" in capsys.readouterr().err
    assert fixtures.main([str(tmp_path), "triangle-board"]) == 0
    assert (tmp_path / "triangle-board.wav").exists()
