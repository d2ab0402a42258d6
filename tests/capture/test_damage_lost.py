"""Lost and repeated samples, level and offset, whatever the size of a block."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from listen.capture import open_capture, scan_damage
from tests.capture.signals import RATE_HZ, noise, sine, write


def scan(tmp_path, x, subtype="PCM_24", rate_hz=RATE_HZ, **options):
    return scan_damage(open_capture(write(tmp_path / "take.wav", x, subtype=subtype, rate_hz=rate_hz)), **options)


def runs(lost, kind=None):
    return [
        (a, n)
        for a, n, k in zip(lost.start_sample.tolist(), lost.n_samples.tolist(), lost.kind, strict=True)
        if kind is None or k == kind
    ]


def tone(seconds=2.0, f0_hz=231.7, seed=1):
    return sine(f0_hz, seconds) + noise(round(seconds * RATE_HZ), 3e-5, seed)


def assert_same_damage(a, b):
    for name in ("n_scanned", "n_nonfinite", "peak_fs", "rms_fs", "dc_fs", "missing_at_end_samples"):
        assert getattr(a, name) == getattr(b, name), name
    for name in ("start_sample", "n_samples"):
        np.testing.assert_array_equal(getattr(a.lost_runs, name), getattr(b.lost_runs, name))
        np.testing.assert_array_equal(getattr(a.overload, name), getattr(b.overload, name))
    assert a.lost_runs.kind == b.lost_runs.kind
    np.testing.assert_array_equal(a.overload.sign, b.overload.sign)


# Values that are no numbers


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_samples_that_are_no_numbers_are_counted_and_read_as_zero(tmp_path, subtype):
    x = tone()
    x[1000] = np.nan
    x[5000:5010] = np.inf
    x[5020] = -np.inf
    x[7000] = -3e30
    damage = scan(tmp_path, x, subtype)
    assert damage.n_nonfinite == 13
    # The last two lie within a millisecond of each other: one event.
    assert runs(damage.lost_runs) == [(1000, 1), (5000, 21), (7000, 1)]
    assert np.isfinite([damage.peak_fs, damage.rms_fs, damage.dc_fs]).all()
    capture = open_capture(tmp_path / "take.wav")
    assert capture.read(998, 1003)[2] == 0.0
    assert np.isfinite(capture.read(0, capture.n_samples)).all()


def test_all_samples_lost(tmp_path):
    damage = scan(tmp_path, np.full(9600, np.nan), "FLOAT")
    assert runs(damage.lost_runs) == [(0, 9600)]
    assert damage.peak_fs == 0.0


# Exact zeros


@pytest.mark.parametrize("n_lost", [12, 64, 480, 4800])
@pytest.mark.parametrize("at", [30000, 30050, 30103, 65530, 65536])
@pytest.mark.parametrize("f0_hz", [41.0, 231.7, 3001.0])
def test_zeros_cut_into_a_tone_are_found(tmp_path, n_lost, at, f0_hz):
    x = tone(f0_hz=f0_hz)
    x[at : at + n_lost] = 0.0
    assert runs(scan(tmp_path, x).lost_runs) == [(at, n_lost)]


@pytest.mark.parametrize("at", range(30000, 30036, 3))
@pytest.mark.parametrize("f0_hz", [1388.0, 2700.0, 5200.0, 9100.0])
def test_zeros_are_found_wherever_in_the_cycle_they_begin(tmp_path, at, f0_hz):
    """Of high notes a quarter of a millisecond is a third of the cycle or more: its ends may lie equally high."""
    x = tone(f0_hz=f0_hz)
    x[at : at + 884] = 0.0
    (found,) = runs(scan(tmp_path, x).lost_runs)
    # a sample on either side may be zero anyway, and one cut off near zero as well be the wave's
    assert abs(found[0] - at) <= 1
    assert abs(found[1] - 884) <= 2


@pytest.mark.parametrize("n_lost", [0, 6, 11])
def test_fewer_zeros_than_a_quarter_millisecond_are_left_alone(tmp_path, n_lost):
    x = tone()
    x[30000 : 30000 + n_lost] = 0.0
    assert len(scan(tmp_path, x).lost_runs) == 0


def test_silence_before_and_after_is_no_loss(tmp_path):
    x = tone(3.0)
    x[:RATE_HZ] = 0.0
    x[-RATE_HZ:] = 0.0
    assert len(scan(tmp_path, x).lost_runs) == 0


@pytest.mark.parametrize("fade_s", [0.002, 0.004, 0.05])
@pytest.mark.parametrize("gap_s", [0.045, 0.06])
def test_a_short_silence_between_notes_that_fade_is_no_loss_and_a_long_one_a_gates(tmp_path, fade_s, gap_s):
    """Analogue silence is never exactly zero: from 50 ms on it is a gate's."""
    n = round(0.4 * RATE_HZ)
    fade = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / (fade_s * RATE_HZ))
    gap = np.zeros(round(gap_s * RATE_HZ))
    x = np.concatenate([part for f0_hz in (196.0, 392.0, 784.0) for part in (fade * sine(f0_hz, 0.4), gap)])
    found = runs(scan(tmp_path, x).lost_runs, "zeros")
    # the last gap ends the file: padding
    assert len(found) == (2 if gap_s > 0.05 else 0)
    for number, (start, length) in enumerate(found):
        assert start == pytest.approx(n + number * (n + len(gap)), abs=2)
        assert length == pytest.approx(len(gap), abs=4)


def test_the_same_notes_without_a_fade_are_cut(tmp_path):
    gap = np.zeros(round(0.06 * RATE_HZ))
    x = np.concatenate([part for f0_hz in (196.0, 392.0, 784.0) for part in (sine(f0_hz, 0.4), gap)])
    assert len(runs(scan(tmp_path, x).lost_runs, "zeros")) == 2


@pytest.mark.parametrize(("zeros", "found"), [(2300, 0), (9600, 1)])
def test_zeros_before_a_start_are_a_gates_from_fifty_milliseconds_on(tmp_path, zeros, found):
    growth = np.minimum(1.0, 1e-6 * np.exp(np.arange(2 * RATE_HZ) / (0.03 * RATE_HZ)))
    x = np.concatenate([noise(9600, 1e-5), np.zeros(zeros), growth * sine(300.0, 2.0)])
    assert len(scan(tmp_path, x).lost_runs) == found


@pytest.mark.parametrize("f0_hz", [16.4, 50.0, 120.0, 300.3])
@pytest.mark.parametrize("shape", ["dead-band", "pulse", "half-wave"])
def test_zeros_that_the_wave_itself_has(tmp_path, f0_hz, shape):
    x = sine(f0_hz, 3.0)
    if shape == "dead-band":
        x = np.sign(x) * np.maximum(0.0, np.abs(x) - 0.2)
    elif shape == "pulse":
        x = np.where(x > 0.3, 0.5, 0.0)
    else:
        x = np.maximum(x, 0.0)
    assert len(scan(tmp_path, x).lost_runs) == 0


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16"])
def test_coarse_codes_hold_zero_at_a_slow_crossing(tmp_path, subtype):
    assert len(scan(tmp_path, sine(17.0, 3.0, peak=0.45), subtype).lost_runs) == 0


# Blocks that come twice


@pytest.mark.parametrize("n_block", [64, 128, 480, 1024, 4096])
@pytest.mark.parametrize("inserted", [True, False])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_repeated_block_is_found(tmp_path, n_block, inserted, subtype):
    x = tone(3.0)
    at = 65536 - 300
    tail = x[at:] if inserted else x[at + n_block :]
    x = np.concatenate([x[:at], x[at - n_block : at], tail])
    found = runs(scan(tmp_path, x, subtype).lost_runs)
    assert len(found) == 1
    start, n = found[0]
    # By chance a neighbouring sample may be equal too.
    assert abs(start - at) <= 2
    assert abs(n - n_block) <= 3


@pytest.mark.parametrize("f0_hz", [100.0, 440.0, 441.3, 1000.0, 2000.5])
@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24"])
def test_a_clean_periodic_wave_does_not_repeat_blocks(tmp_path, f0_hz, subtype):
    assert len(scan(tmp_path, sine(f0_hz, 3.0), subtype).lost_runs) == 0


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24"])
@pytest.mark.parametrize(
    ("low_hz", "high_hz", "seconds"), [(40, 8000, 6), (8000, 40, 6), (200, 210, 6), (100, 3200, 3)]
)
def test_a_clean_sweep_does_not_repeat_blocks(tmp_path, subtype, low_hz, high_hz, seconds):
    t = np.arange(seconds * RATE_HZ) / RATE_HZ
    rate = np.log(high_hz / low_hz) / seconds
    x = 0.5 * np.sin(2.0 * np.pi * low_hz * np.expm1(rate * t) / rate)
    assert len(scan(tmp_path, x, subtype).lost_runs) == 0


def test_a_wave_table_played_for_ever_does_not_repeat_blocks(tmp_path):
    table = np.interp(np.arange(109), [0, 20, 50, 90, 108], [0.0, 0.7, -0.4, 0.3, 0.0])
    assert len(scan(tmp_path, np.tile(table, 800)).lost_runs) == 0


def test_digital_silence_and_dc_repeat_nothing(tmp_path):
    assert len(scan(tmp_path, np.zeros(96000)).lost_runs) == 0
    assert len(scan(tmp_path, np.full(96000, 0.3)).lost_runs) == 0


# Level, offset, end of file


def test_level_and_offset_against_closed_form(tmp_path):
    damage = scan(tmp_path, 0.125 + sine(100.0, 2.0, peak=0.5), "DOUBLE")
    # 200 whole cycles; rounding of 1e5 additions.
    assert damage.dc_fs == pytest.approx(0.125, abs=1e-12)
    assert damage.rms_fs == pytest.approx(0.5 / np.sqrt(2.0), abs=1e-12)
    assert damage.peak_fs == pytest.approx(0.625, abs=1e-4)


@pytest.mark.parametrize("fmt", ["WAV", "AIFF"])
@pytest.mark.parametrize("held", [0.3, 0.999])
def test_a_file_that_ends_before_its_header_says(tmp_path, fmt, held):
    path = write(tmp_path / f"take.{fmt.lower()}", tone(), fmt=fmt)
    whole = path.read_bytes()
    path.write_bytes(whole[: round(held * len(whole))])
    capture = open_capture(path)
    damage = scan_damage(capture)
    assert damage.truncated
    assert capture.n_samples + damage.missing_at_end_samples == 2 * RATE_HZ
    assert damage.missing_at_end_samples == pytest.approx((1.0 - held) * 2 * RATE_HZ, abs=20)


def test_a_flac_file_that_breaks_off(tmp_path):
    path = write(tmp_path / "take.flac", tone(3.0), fmt="FLAC")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    capture = open_capture(path)
    assert 0 < capture.n_samples < 3 * RATE_HZ
    assert scan_damage(capture).missing_at_end_samples == 3 * RATE_HZ - capture.n_samples


@pytest.mark.parametrize("size", [0, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF])
def test_a_stream_with_an_open_end_is_whole(tmp_path, size):
    path = write(tmp_path / "take.wav", tone())
    raw = bytearray(path.read_bytes())
    at = raw.index(b"data") + 4
    raw[at : at + 4] = size.to_bytes(4, "little")
    path.write_bytes(raw)
    capture = open_capture(path)
    assert capture.n_samples == 2 * RATE_HZ
    assert not scan_damage(capture).truncated
    np.testing.assert_array_equal(capture.read(0, 5000), soundfile.read(write(tmp_path / "b.wav", tone()))[0][:5000])


def test_a_whole_file_is_not_truncated(tmp_path):
    assert not scan(tmp_path, tone()).truncated


# The block size changes nothing


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(block=st.integers(1, 20).map(lambda n: 4096 * n), seed=st.integers(0, 1000))
def test_the_block_size_changes_nothing(tmp_path, block, seed):
    rng = np.random.default_rng(seed)
    x = np.clip(2.2 * tone(2.0, f0_hz=float(rng.uniform(40, 4000)), seed=seed), -0.7, 1.0)
    for _ in range(4):
        at, n = int(rng.integers(9000, 90000)), int(rng.integers(20, 900))
        x[at : at + n] = 0.0 if rng.random() < 0.5 else x[at - n : at].copy()
    x[rng.integers(0, len(x), 5)] = np.nan
    path = write(tmp_path / "take.wav", x, subtype="DOUBLE")
    capture = open_capture(path)
    assert_same_damage(scan_damage(capture, block_samples=block), scan_damage(capture, block_samples=1 << 22))


def test_only_the_span_is_looked_at(tmp_path):
    x = tone(3.0)
    x[10000:10100] = 0.0
    x[100000:100100] = 0.0
    path = write(tmp_path / "take.wav", x)
    capture = open_capture(path, start_s=1.0, end_s=2.5)
    damage = scan_damage(capture)
    assert damage.n_scanned == round(1.5 * RATE_HZ)
    assert runs(damage.lost_runs) == [(100000, 100)]


def test_turning_the_wave_over_swaps_the_halves_and_nothing_else(tmp_path):
    x = np.clip(tone(3.0) * 1.9 + 0.2, -0.8, 1.0)
    x[50000:50300] = 0.0
    x[90000:90700] = x[89300:90000]
    plain, turned = scan(tmp_path, x), scan(tmp_path, -x)
    assert plain.overload.n_positive == turned.overload.n_negative > 0
    assert plain.overload.n_negative == turned.overload.n_positive
    np.testing.assert_array_equal(plain.overload.start_sample, turned.overload.start_sample)
    np.testing.assert_array_equal(plain.overload.sign, -turned.overload.sign)
    assert runs(plain.lost_runs) == runs(turned.lost_runs)
    assert {"zeros", "repeated"} == set(plain.lost_runs.kind)
    # Full scale is one code less on the positive side; else exact.
    assert plain.dc_fs == pytest.approx(-turned.dc_fs, abs=2.0**-23)


@pytest.mark.parametrize("gain", [0.02, 0.3, 1.9])
def test_gain_changes_no_loss(tmp_path, gain):
    x = tone(3.0)
    x[50000:50300] = 0.0
    x[90000:90700] = x[89300:90000]
    assert runs(scan(tmp_path, gain * x, "FLOAT").lost_runs) == runs(scan(tmp_path, x, "FLOAT").lost_runs)


@pytest.mark.parametrize("bits", [8, 9, 10])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_faint_sound_in_coarse_codes_of_a_fine_file_loses_nothing(tmp_path, bits, subtype):
    """A converter of few bits, its samples kept in more: hum of one code before the tone, whose zeros are rounding."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    step = 2.0 ** (1 - bits)
    dither = np.random.default_rng(bits).triangular(-0.55, 0.0, 0.55, len(t))
    x = np.where(t > 1.2, 0.4 * np.sin(2 * np.pi * 231.7 * t), 1.1 * step * np.sin(2 * np.pi * 50.0 * t))
    x = np.round(x / step + dither) * step
    assert (x[: RATE_HZ // 2] == 0.0).mean() > 0.2
    assert runs(scan(tmp_path, x, subtype).lost_runs) == []
    # ... and one that is cut in the tone is found
    x[70_000:70_300] = 0.0
    ((start, count),) = runs(scan(tmp_path, x, subtype).lost_runs)
    assert (start, count) == pytest.approx((70_000, 300), abs=12)


def test_a_slow_swing_in_coarse_codes_holds_zero_for_a_while(tmp_path):
    """A thump of seventeen codes passes through zero: written with 24 bits by a recorder of twelve, with its dither."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    step = 2.0**-11
    dither = np.random.default_rng(5).triangular(-1.0, 0.0, 1.0, len(t))
    x = np.round(16.6 * np.sin(2 * np.pi * 4.0 * t) + dither) * step
    assert runs(scan(tmp_path, x).lost_runs) == []
    # ... and zeros that are cut into a tone of such codes are found
    x = np.round(0.4 * np.sin(2 * np.pi * 231.7 * t) / step + dither) * step
    x[40_000:40_012] = 0.0
    assert len(runs(scan(tmp_path, x).lost_runs)) == 1
