"""Overload: what a converter cut is found; what a circuit or coarse codes make is left alone."""

from __future__ import annotations

import numpy as np
import pytest

from listen.capture import Capture, open_capture, scan_damage
from listen.capture.overload import may_be_cut
from tests.capture.signals import RATE_HZ, dither, noise, sine, write


def scan(tmp_path, x, subtype="PCM_24", rate_hz=RATE_HZ):
    return scan_damage(open_capture(write(tmp_path / "take.wav", x, subtype=subtype, rate_hz=rate_hz)))


def cut_share(n_runs, f0_hz, seconds):
    return n_runs / (f0_hz * seconds)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("f0_hz", [33.3, 441.7, 2718.0])
def test_full_scale_is_overload_in_every_format(tmp_path, subtype, f0_hz):
    x = np.clip(sine(f0_hz, 2.0, peak=1.3) + noise(2 * RATE_HZ, 1e-5), -1.0, 1.0)
    overload = scan(tmp_path, x, subtype).overload
    assert overload.positive_level_fs == pytest.approx(1.0, abs=0.01)
    assert overload.negative_level_fs == pytest.approx(-1.0, abs=0.01)
    # Every crest is cut; 3 % for the ends of the take.
    assert cut_share(overload.n_positive, f0_hz, 2.0) == pytest.approx(1.0, abs=0.03)
    assert cut_share(overload.n_negative, f0_hz, 2.0) == pytest.approx(1.0, abs=0.03)


def dwell_samples(excess, f0_hz):
    """How long a sine of this peak is beyond 1, in samples."""
    return np.arccos(1.0 / excess) / (np.pi * f0_hz) * RATE_HZ


@pytest.mark.parametrize(
    ("excess", "f0_hz"),
    [(e, f) for e in (1.002, 1.02, 1.2, 3.0) for f in (50.0, 97.3, 1000.0, 3000.1) if dwell_samples(e, f) >= 4.0],
)
def test_runs_have_the_length_of_the_cut(tmp_path, excess, f0_hz):
    x = np.clip(sine(f0_hz, 3.0, peak=excess) + noise(3 * RATE_HZ, 1e-6), -1.0, 1.0)
    overload = scan(tmp_path, x).overload
    # Whole samples: on average within half a sample, one more for the take's ends.
    assert overload.n_samples.mean() == pytest.approx(dwell_samples(excess, f0_hz), abs=1.0)


@pytest.mark.parametrize("level", [0.25, 0.5, 0.9])
@pytest.mark.parametrize("dithered", [False, True])
@pytest.mark.parametrize("bits", [16, 24])
def test_digital_gain_after_the_converter_does_not_hide_a_cut(tmp_path, level, dithered, bits):
    x = level * np.clip(sine(311.1, 2.0, peak=1.1) + noise(2 * RATE_HZ, 1e-5), -1.0, 1.0)
    overload = scan(tmp_path, dither(x, bits) if dithered else x, f"PCM_{bits}").overload
    # The dither's own code above, and the rounding.
    assert overload.positive_level_fs == pytest.approx(level, abs=2.0 ** (2 - bits))
    assert cut_share(overload.n_positive, 311.1, 2.0) == pytest.approx(1.0, abs=0.03)


def test_one_cut_half_is_named_by_its_half(tmp_path):
    x = np.clip(0.25 + sine(200.0, 2.0, peak=0.9) + noise(2 * RATE_HZ, 1e-5), -1.0, 1.0)
    overload = scan(tmp_path, x).overload
    assert overload.n_positive > 390
    assert overload.n_negative == 0
    assert overload.negative_level_fs is None


def test_an_inverted_interface_swaps_the_halves(tmp_path):
    from listen.bench import CaptureSettings

    x = np.clip(0.25 + sine(200.0, 2.0, peak=0.9) + noise(2 * RATE_HZ, 1e-5), -1.0, 1.0)
    path = write(tmp_path / "take.wav", x)
    overload = scan_damage(open_capture(path, settings=CaptureSettings(inverted=True))).overload
    assert overload.n_negative > 390
    assert overload.n_positive == 0


@pytest.mark.parametrize("f0_hz", [9000.0, 7321.0, 12345.6])
def test_high_notes_whose_tops_hold_one_sample_or_two(tmp_path, f0_hz):
    x = np.clip(sine(f0_hz, 2.0, peak=1.15) + noise(2 * RATE_HZ, 1e-5), -1.0, 1.0)
    overload = scan(tmp_path, x).overload
    assert len(overload) > 0.3 * f0_hz * 2.0


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "FLOAT", "ULAW"])
@pytest.mark.parametrize("f0_hz", [16.5, 30.0, 55.0, 441.0, 1000.0, 3000.0, 8000.0, 12000.0])
@pytest.mark.parametrize("peak", [0.5, 1.0])
def test_a_healthy_sine_is_whole_at_any_word_length(tmp_path, subtype, f0_hz, peak):
    """Without noise or dither, the worst case: a slow crest holds its top code for many samples."""
    assert len(scan(tmp_path, sine(f0_hz, 2.0, peak=peak), subtype).overload) == 0


@pytest.mark.parametrize(("cycles", "samples"), [(2, 29), (1, 9), (3, 38), (2, 13), (5, 33)])
@pytest.mark.parametrize("off_hz", [-0.7, 0.05, 0.4])
@pytest.mark.parametrize("noise_fs", [0.0, 1.7e-5])
def test_a_period_that_nearly_agrees_with_the_sampling_is_no_cut(tmp_path, cycles, samples, off_hz, noise_fs):
    """For seconds the same few places of the cycle are sampled, now and then the crest itself each time."""
    f0_hz = RATE_HZ * cycles / samples + off_hz
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    phase = 2 * np.pi * f0_hz * t + 0.003 * np.sin(2 * np.pi * 5.0 * t)
    x = 0.267 * np.cos(phase) + 4e-4 * np.cos(2 * phase + 1.0) + 4e-4 * np.cos(3 * phase)
    assert len(scan(tmp_path, x + noise(len(t), noise_fs), "PCM_16").overload) == 0


@pytest.mark.parametrize("f0_hz", [20.0, 30.0, 47.1, 80.0])
@pytest.mark.parametrize("gain", [1.0, 1.3, 3.7])
@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_sixteen_bits_kept_in_more(tmp_path, f0_hz, gain, subtype):
    x = gain * np.round(sine(f0_hz, 2.0, peak=0.25) * 2**15) / 2**15
    assert len(scan(tmp_path, x, subtype).overload) == 0


@pytest.mark.parametrize("bits", [6, 8, 10, 12])
@pytest.mark.parametrize("f0_hz", [17.0, 30.0, 100.0, 441.0])
@pytest.mark.parametrize("peak", [0.02, 0.9])
def test_coarse_codes_kept_in_sixteen_or_more_bits(tmp_path, bits, f0_hz, peak):
    step = 2.0 ** (1 - bits)
    for subtype in ("PCM_16", "PCM_24"):
        assert len(scan(tmp_path, step * np.round(sine(f0_hz, 2.0, peak=peak) / step), subtype).overload) == 0


@pytest.mark.parametrize("f0_hz", [30.0, 220.0, 2000.0])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_circuits_own_limit_is_no_overload(tmp_path, f0_hz, subtype):
    """Hard limited in the circuit, then AC-coupled at 2 Hz and recorded with noise of -90 dBFS."""
    x = np.clip(sine(f0_hz, 3.0, peak=0.6), -0.5, 0.42)
    pole = np.exp(-2.0 * np.pi * 2.0 / RATE_HZ)
    from scipy.signal import lfilter

    x = lfilter([1.0, -1.0], [1.0, -pole], x)[RATE_HZ:] + noise(2 * RATE_HZ, 3e-5)
    assert len(scan(tmp_path, x, subtype).overload) == 0


@pytest.mark.parametrize("f0_hz", [512.3, 640.0, 791.6])
def test_a_limit_in_a_quiet_take_is_no_overload(tmp_path, f0_hz):
    """At -35 dBFS of 16 bits neither noise nor droop moves a circuit's limit by more than a code or two."""
    quiet = np.maximum(sine(f0_hz, 6.0, peak=0.01694), -0.01625) + noise(6 * RATE_HZ, 10 ** (-98.0 / 20))
    assert len(scan(tmp_path, quiet, "PCM_16").overload) == 0
    assert len(scan(tmp_path, np.maximum(sine(f0_hz, 6.0, peak=0.1694), -0.1625), "PCM_16").overload) > 6 * f0_hz - 3


@pytest.mark.parametrize("low", [-0.3, 0.0, -0.5])
@pytest.mark.parametrize("duty", [0.5, 0.03])
@pytest.mark.parametrize("f0_hz", [50.0, 441.3])
def test_a_square_wave_with_exact_tops_is_whole(tmp_path, duty, f0_hz, low):
    cycle = f0_hz * np.arange(2 * RATE_HZ) / RATE_HZ % 1.0
    assert len(scan(tmp_path, np.where(cycle < duty, 0.5, low)).overload) == 0


@pytest.mark.parametrize("x", [np.zeros(9600), np.full(9600, 0.4), np.full(9600, -1.0)], ids=["zero", "dc", "rail"])
def test_no_signal_is_no_overload(tmp_path, x):
    assert len(scan(tmp_path, x).overload) == 0


def test_only_the_segment_that_is_cut(tmp_path):
    envelope = np.interp(np.arange(6 * RATE_HZ) / RATE_HZ, [0, 2, 2.5, 3.5, 4, 6], [0.6, 0.6, 1.2, 1.2, 0.6, 0.6])
    x = np.clip(envelope * sine(150.0, 6.0, peak=1.0) + noise(6 * RATE_HZ, 1e-5), -1.0, 1.0)
    overload = scan(tmp_path, x).overload
    # 1.0 is passed at 2 + 0.5 * 0.4 / 0.6 s, within a cycle.
    assert overload.start_sample[0] / RATE_HZ == pytest.approx(2.333, abs=0.01)
    assert overload.start_sample[-1] / RATE_HZ == pytest.approx(3.667, abs=0.01)


def test_pinned_at_full_scale_for_longer_than_a_block(tmp_path):
    x = sine(200.0, 4.0, peak=0.3) + noise(4 * RATE_HZ, 1e-5)
    x[RATE_HZ : 3 * RATE_HZ + 17] = 1.0
    overload = scan(tmp_path, x).overload
    assert overload.n_samples.tolist() == [2 * RATE_HZ + 17]
    assert overload.start_sample.tolist() == [RATE_HZ]


@pytest.mark.parametrize("excess", [0.999, 1.001])
def test_either_side_of_full_scale(tmp_path, excess):
    x = np.clip(sine(100.3, 2.0, peak=excess), -1.0, 1.0)
    assert (len(scan(tmp_path, x).overload) > 100) == (excess > 1.0)


@pytest.mark.parametrize("level", [0.0, 0.4, -1.0], ids=["zero", "dc", "rail"])
def test_one_endless_run_is_followed_once(tmp_path, monkeypatch, level):
    """Sixteen times the length takes sixteen times the reading: a minute, or an hour, of digital silence ends."""
    read = []
    plain_read = Capture.read

    def counted(self, start, stop):
        read.append(stop - start)
        return plain_read(self, start, stop)

    monkeypatch.setattr(Capture, "read", counted)
    per_sample = []
    for blocks in (8, 128):
        read.clear()
        n = blocks * 4096
        capture = open_capture(write(tmp_path / "take.wav", np.full(n, level), subtype="PCM_16"))
        assert scan_damage(capture, block_samples=4096).overload.n_samples.size == 0
        per_sample.append(sum(read) / n)
    assert per_sample[1] < 1.2 * per_sample[0]


def test_long_runs_are_alike_whatever_the_blocks(tmp_path):
    """Tops of many blocks, of just one, and such as begin or end beside a block's edge."""
    n = 4096
    x = 0.1 * sine(441.7, 40 * n / RATE_HZ)[: 40 * n]
    for start, stop in ((n + 5, n + 30), (3 * n, 9 * n), (10 * n - 1, 13 * n + 1), (20 * n - 9, 31 * n + 2048)):
        x[start:stop] = 1.0
    x[35 * n :] = 1.0
    write(tmp_path / "take.wav", x, subtype="PCM_24")
    found = [
        scan_damage(open_capture(tmp_path / "take.wav"), block_samples=block).overload for block in (n, 5 * n, 64 * n)
    ]
    for other in found[:2]:
        assert other.start_sample.tolist() == found[2].start_sample.tolist()
        assert other.n_samples.tolist() == found[2].n_samples.tolist()
    assert (3 * n, 6 * n) in zip(found[0].start_sample.tolist(), found[0].n_samples.tolist(), strict=True)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("f0_hz", [97.3, 441.7, 3001.3, 9_117.0])
@pytest.mark.parametrize("over", [0.5, 0.9999, 1.005, 1.02, 1.4])
@pytest.mark.parametrize("top", [1.0, 0.6])
def test_the_quick_question_hides_no_cut_top(tmp_path, subtype, f0_hz, over, top):
    """What is cut, at full scale or below it, is asked about in every piece of 0.2 s; a clean noisy tone in none."""
    x = np.clip(top * over * (sine(f0_hz, 1.0, peak=1.0) + noise(RATE_HZ, 1e-4)), -top, top)
    path = write(tmp_path / "take.wav", x, subtype=subtype)
    capture = open_capture(path)
    samples = capture.read(0, RATE_HZ)
    pieces = [may_be_cut(samples[a : a + RATE_HZ // 5], subtype) for a in range(0, RATE_HZ, RATE_HZ // 5)]
    if scan_damage(capture).overload.n_positive:
        assert all(pieces)
    if over == 0.5 and subtype != "PCM_16":
        assert not any(pieces)


def test_the_quick_question_hides_no_single_cut_top(tmp_path):
    """One crest in 0.2 s that is a little over full scale."""
    x = sine(441.7, 0.2, peak=0.9) + noise(RATE_HZ // 5, 1e-4)
    x[4_000:4_100] *= 1.12
    path = write(tmp_path / "take.wav", np.clip(x, -1.0, 1.0 - 2**-23), subtype="PCM_24")
    assert scan_damage(open_capture(path)).overload.n_positive == 1
    samples = open_capture(path).read(0, RATE_HZ // 5)
    assert may_be_cut(samples, "PCM_24")
    assert np.count_nonzero(samples > 0.999) < 30


@pytest.mark.parametrize("bits", [8, 9, 10])
@pytest.mark.parametrize("f0_hz", [231.7, 2400.3, 4999.0])
def test_crests_in_coarse_codes_of_a_fine_file_are_whole(tmp_path, bits, f0_hz):
    """A converter of few bits with dither, its samples kept in 24: a steady sine's crests fall on one code or two."""
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    step = 2.0 ** (1 - bits)
    dither = np.random.default_rng(bits).triangular(-0.5, 0.0, 0.5, len(t))
    for level in (0.391, 0.402, 0.4475):
        x = step * np.round(level / step * np.sin(2 * np.pi * f0_hz * t) + dither)
        assert len(scan(tmp_path, x).overload) == 0
