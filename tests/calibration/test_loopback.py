"""The recorder by itself, from a loop: interfaces in closed form, and what they are measured to do."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
import soundfile
from scipy import signal

from listen.api.setting_up import setup
from listen.bench import load_bench
from listen.calibration.clock import clock_from
from listen.calibration.loopback import LEVELS_DBFS, loopback_samples, loopback_slots
from listen.calibration.loopback_read import read_loopback
from listen.cli import main
from listen.errors import CaptureError, OptionError
from tests.recorders import Interface
from tests.tones import frames_of

RATE_HZ = 48_000
USUAL = Interface(second=1e-3, corner_hz=20.0, floor_dbfs=-60.0, inverts=True, gain=0.7)


@lru_cache(maxsize=2)
def stimulus(rate_hz: int = RATE_HZ) -> np.ndarray:
    return loopback_samples(rate_hz)


def measured(interface: Interface, rate_hz: int = RATE_HZ, before: int = 12_345):
    x = np.concatenate([np.zeros(before), stimulus(rate_hz)])
    return read_loopback(interface.record(x, rate_hz), rate_hz, "loop.wav")


def test_distortion_of_a_square_law_at_each_level():
    """H2 of a weak square law is half the amplitude times its coefficient, its H3 nothing."""
    interface = Interface(second=2e-3, third=4e-3, floor_dbfs=-95.0, gain=0.8)
    found = measured(interface)
    assert len(found.distortion) == len(LEVELS_DBFS)
    for own, played in zip(found.distortion, LEVELS_DBFS, strict=True):
        peak = 0.8 * 10 ** (played / 20)
        assert own.level_dbfs == pytest.approx(20 * np.log10(peak), abs=0.03)
        if own.detected[0]:
            assert own.harmonics_dbc[0] == pytest.approx(20 * np.log10(2e-3 * peak / 2), abs=0.5)
        if own.detected[1]:
            assert own.harmonics_dbc[1] == pytest.approx(20 * np.log10(4e-3 * peak**2 / 4), abs=0.5)
    quiet = [own.harmonics_dbc for own in found.distortion]
    assert all(a <= b for low, high in itertools.pairwise(quiet) for a, b in zip(low, high, strict=True))
    assert found.distortion[-1].detected[:3] == (True, True, False)


@pytest.mark.parametrize("corner_hz", [0.5, 2.0, 7.0, 20.0])
def test_the_corner_of_the_coupling(corner_hz):
    """The high-pass is the bilinear transform's: 20 Hz at 48 kHz is off by (pi fc / rate)^2 / 3, a millionth."""
    found = measured(replace(USUAL, corner_hz=corner_hz))
    assert found.corner_hz == pytest.approx(corner_hz, abs=max(0.02 * corner_hz, 4 * found.corner_sigma_hz))
    # without it an interface of this kind is flat
    assert max(abs(db) for db in found.response_db) < 0.02


def test_two_couplings_in_series():
    """Output and input are coupled each: their product of responses, not the sum, is what the fit must find."""
    x = signal.lfilter(*signal.butter(1, 3.0, "high", fs=RATE_HZ), stimulus())
    found = read_loopback(Interface(corner_hz=16.0, floor_dbfs=-80).record(x, RATE_HZ), RATE_HZ, "loop.wav")
    assert found.corners_hz == pytest.approx((3.0, 16.0), rel=0.05)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_the_response_to_a_fiftieth_of_a_decibel(rate_hz):
    interface = Interface(low_pass_hz=18e3, corner_hz=5.0, floor_dbfs=-60.0, gain=0.6)
    found = measured(interface, rate_hz)
    b, a = signal.butter(1, 18e3, fs=rate_hz)
    _, true = signal.freqz(b, a, worN=[*found.response_hz, 997.0], fs=rate_hz)
    wanted = 20 * np.log10(np.abs(true[:-1] / true[-1]))
    assert found.response_db == pytest.approx(wanted, abs=0.02)
    assert max(found.response_sigma_db) < 0.02
    assert found.response_hz[-1] == (40e3 if rate_hz == 96_000 else 18e3)


@pytest.mark.parametrize("inverts", [False, True])
@pytest.mark.parametrize("corner_hz", [0.0, 20.0])
def test_polarity_of_the_loop(inverts, corner_hz):
    assert measured(replace(USUAL, inverts=inverts, corner_hz=corner_hz)).inverted is inverts


def test_floor_and_hum():
    found = measured(Interface(floor_dbfs=-70.0, hum_dbfs=-64.0))
    assert found.floor.hum_hz == 50.0
    assert found.floor.hum_dbfs == pytest.approx(-64.0, abs=0.3)
    assert found.floor.floor_dbfs == pytest.approx(10 * np.log10(1e-7 + 10**-6.4), abs=0.2)


def test_one_clock_and_two():
    assert abs(measured(USUAL).clocks_apart_ppm) < 0.02
    time_s = np.arange(len(stimulus())) / RATE_HZ
    # a player that is 80 ppm fast
    faster = np.interp(time_s * (1 + 80e-6), time_s, stimulus())
    found = read_loopback(USUAL.record(faster, RATE_HZ), RATE_HZ, "loop.wav")
    assert found.clocks_apart_ppm == pytest.approx(80.0, abs=0.5)
    # the tones are still read on their own pitch
    assert found.distortion[-1].harmonics_dbc[0] == pytest.approx(20 * np.log10(1e-3 * 0.4957 / 2), abs=1.5)


def test_levels_that_clip_are_left_out():
    found = measured(Interface(gain=1.7))
    assert found.clipped == 1
    assert len(found.distortion) == len(LEVELS_DBFS) - 1


@pytest.mark.parametrize("spoilt", ["noise", "cut short", "gain control", "half"])
def test_takes_of_something_else(spoilt):
    x = USUAL.record(stimulus(), RATE_HZ)
    if spoilt == "noise":
        x = 0.1 * np.random.default_rng(1).standard_normal(len(x))
    elif spoilt == "cut short":
        x = x[: 10 * RATE_HZ]
    elif spoilt == "half":
        x = np.concatenate([np.zeros(15 * RATE_HZ), x[: len(x) // 2], np.zeros(5 * RATE_HZ)])
    else:
        level = np.sqrt(signal.lfilter([1e-4], [1, -(1 - 1e-4)], x**2)) + 0.03
        x = 0.1 * x / level
    with pytest.raises(CaptureError):
        read_loopback(x, RATE_HZ, "loop.wav")


@pytest.mark.parametrize(
    ("order", "band_hz", "kind"), [(8, (300.0, 3400.0), "bandpass"), (10, 300.0, "highpass"), (2, 75.0, "highpass")]
)
def test_a_low_cut_or_a_speech_filter_is_no_coupling(order, band_hz, kind):
    """No corner in the bench file says what they take; a corner of megahertz would be undone in every level."""
    sections = signal.butter(order, band_hz, kind, fs=RATE_HZ, output="sos")
    x = replace(USUAL, corner_hz=0.0).record(signal.sosfilt(sections, stimulus()), RATE_HZ)
    with pytest.raises(CaptureError, match="do not come back as through a coupling"):
        read_loopback(x, RATE_HZ, "loop.wav")


@pytest.mark.parametrize("corner_hz", [0.5, 20.0, 60.0])
def test_a_coupling_however_high_is_one(corner_hz):
    assert measured(replace(USUAL, corner_hz=corner_hz)).corner_hz == pytest.approx(corner_hz, rel=0.03, abs=0.2)


def test_the_stimulus_never_leaves_full_scale_and_holds_the_same_slots_at_each_rate():
    slots = loopback_slots()
    assert all(b.start_s > a.start_s + a.seconds for a, b in itertools.pairwise(slots))
    for rate_hz in (44_100, 192_000):
        x = loopback_samples(rate_hz)
        assert np.abs(x).max() <= 10 ** (-3 / 20) + 1e-9
        assert len(x) / rate_hz == pytest.approx(slots[-1].start_s + slots[-1].seconds + 2.0, abs=1e-3)


def test_the_bench_file_and_a_second_measurement(tmp_path, capsys):
    wav = tmp_path / "loopback.wav"
    assert main(["stimulus", str(wav), "--loopback"]) == 0
    page = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "Unplug headphones and switch off loudspeakers" in page
    played, rate_hz = soundfile.read(wav)
    take = USUAL.take(tmp_path / "take.wav", played, rate_hz)
    bench = tmp_path / "bench.toml"
    bench.write_text('[build]\nname = "first" # mine\n')
    assert main(["setup", "--loopback", str(take), "--write", str(bench)]) == 0
    page = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "The loop of output and input inverts the wave." in page
    assert "output and input share one clock" in page
    known = load_bench(bench).capture
    assert known.ac_coupling_hz == pytest.approx(20.0, abs=0.1)
    assert known.inverted is None
    assert known.recorder.loop_inverted is True
    assert known.recorder.harmonics_dbc[2][-1] == pytest.approx(20 * np.log10(1e-3 * 0.4957 / 2), abs=1.5)
    assert bench.read_text().startswith('[build]\nname = "first" # mine\n')
    # the same recorder again is no question; another one is
    again = USUAL.take(tmp_path / "again.wav", played, rate_hz, seed=2)
    setup(loopback=again, write=bench)
    for other in (replace(USUAL, corner_hz=10.0), replace(USUAL, inverts=False), replace(USUAL, second=4e-3)):
        different = other.take(tmp_path / "other.wav", played, rate_hz)
        with pytest.raises(OptionError, match="otherwise than in the \\[recorder\\]"):
            setup(loopback=different, write=bench)
    setup(loopback=different, write=bench, replace=True)
    assert load_bench(bench).capture.recorder.harmonics_dbc[2][-1] == pytest.approx(-60.1, abs=0.5)


def test_a_corner_that_is_stated_beats_the_loops(tmp_path):
    (tmp_path / "bench.toml").write_text("[capture]\nac_coupling_hz = 3.0\n[recorder]\ncorner_hz = 20.0\n")
    assert load_bench(tmp_path / "bench.toml").capture.ac_coupling_hz == 3.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[recorder]\nlevel_dbfs = [-20.0, -10.0]\nh2_dbc = [-80.0]\n", "h2_dbc has 1 number, level_dbfs has 2"),
        ("[recorder]\nresponse_hz = [10.0, 5.0]\nresponse_db = [0, 0]\n", "response_hz"),
        ("[recorder]\nh11_dbc = [1.0]\n", 'unknown key "h11_dbc"'),
        ("[recorder]\nlevel_dbfs = []\n", "level_dbfs"),
    ],
)
def test_a_table_that_cannot_be_used(tmp_path, capsys, text, words):
    (tmp_path / "bench.toml").write_text(text)
    soundfile.write(tmp_path / "take.wav", np.zeros(RATE_HZ), RATE_HZ)
    assert main(["check", str(tmp_path / "take.wav")]) == 2
    assert words in capsys.readouterr().err


def test_the_clock_against_a_reference(tmp_path):
    """A clock that is 40 ppm fast takes more samples of each second: the tone reads 40 ppm low."""
    x = 0.3 * np.sin(2 * np.pi * 1000.0 / (1 + 40e-6) * np.arange(8 * RATE_HZ) / RATE_HZ)
    x += 1e-4 * np.random.default_rng(1).standard_normal(len(x))
    found = clock_from(frames_of(x), 1000.0, "clock.wav")
    assert found.error_ppm == pytest.approx(40.0, abs=max(4 * found.sigma_ppm, 0.01))
    soundfile.write(tmp_path / "clock.wav", x, RATE_HZ, subtype="PCM_24")
    bench = tmp_path / "bench.toml"
    assert main(["setup", "--clock", str(tmp_path / "clock.wav"), "--clock-hz", "1000", "--write", str(bench)]) == 0
    assert load_bench(bench).capture.clock_error_ppm == pytest.approx(40.0, abs=0.05)
    with pytest.raises(OptionError, match="--clock is given without --clock-hz"):
        setup(clock=tmp_path / "clock.wav")
    with pytest.raises(CaptureError, match="not near"):
        clock_from(frames_of(x), 440.0, "clock.wav")


def test_options_of_the_staircase_beside_the_loopback(capsys, tmp_path):
    assert main(["stimulus", str(tmp_path / "x.wav"), "--loopback", "--cv-steps", "0:5:1"]) == 2
    assert "do not go together" in capsys.readouterr().err
