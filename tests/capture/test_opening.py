"""Opening and reading: errors first, then what is read, from every kind of file."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listen.bench import CaptureSettings
from listen.capture import open_capture
from listen.errors import CaptureError, ListenError, OptionError
from tests.capture.signals import RATE_HZ, noise, sine, write

REPO = Path(__file__).resolve().parents[2]


def one_second():
    return sine(440.0, 1.0) + noise(RATE_HZ, 1e-5)


# What cannot be opened


@pytest.fixture
def take(tmp_path):
    return write(tmp_path / "take.wav", np.stack([one_second(), -one_second()], axis=1))


@pytest.mark.parametrize(
    ("make", "what"),
    [
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: p.write_bytes(b""), "is empty (0 bytes)"),
        (lambda p: p.write_text("hello, not audio " * 100), "is no sound file"),
        (lambda p: p.write_bytes(bytes(range(256)) * 40), "is no sound file"),
        (lambda p: p.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt "), "is no sound file"),
        (lambda p: p.symlink_to(p.parent / "nowhere.wav"), "no such file"),
        (lambda p: p.symlink_to(p), "cannot be read"),
        (lambda p: write(p, np.zeros(0)), "holds no samples"),
        (lambda p: write(p, np.zeros(2399)), "50.0 ms long, at least 50 ms"),
        (lambda p: write(p, np.zeros(5000), rate_hz=7999), "sample rate 7999 Hz"),
        (lambda p: write(p, np.zeros(50000), rate_hz=384001), "sample rate 384001 Hz"),
        (lambda p: write(p, np.zeros((5000, 33))), "33 channels, expected at most 32"),
    ],
)
def test_what_cannot_be_opened_says_so_in_one_line(tmp_path, make, what):
    path = tmp_path / "bad.wav"
    make(path)
    with pytest.raises(CaptureError) as caught:
        open_capture(path)
    line = str(caught.value)
    assert line.startswith(f"{path}: ")
    assert what in line
    assert "\n" not in line
    assert "; " in line


def test_missing_and_no_name_at_all(tmp_path):
    for path in (tmp_path / "missing.wav", tmp_path / "no" / "folder.wav", "", "a\0b.wav", "x" * 5000):
        with pytest.raises(CaptureError):
            open_capture(path)


def test_a_device_is_refused():
    with pytest.raises(CaptureError, match="is a device"):
        open_capture("/dev/null")


def test_no_permission(take):
    take.chmod(0)
    if os.access(take, os.R_OK):
        pytest.skip("this user may read everything")
    with pytest.raises(CaptureError, match="may not be read"):
        open_capture(take)


@pytest.mark.parametrize(("fmt", "subtype"), [("MP3", "MPEG_LAYER_III"), ("OGG", "VORBIS"), ("OGG", "OPUS")])
def test_lossy_files_are_refused_before_their_coder_can_chatter(tmp_path, fmt, subtype, capfd):
    path = tmp_path / "take.wav"
    try:
        soundfile.write(path, one_second(), RATE_HZ, format=fmt, subtype=subtype)
    except (ValueError, soundfile.SoundFileError):
        pytest.skip("this libsndfile does not write it")
    with pytest.raises(CaptureError, match="is a lossy sound file"):
        open_capture(path)
    path.write_bytes(b"\xff\xfb\x90\x64" + bytes(9999))
    with pytest.raises(CaptureError, match="is a lossy sound file"):
        open_capture(path)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(("subtype", "rate_hz"), [("GSM610", 8000), ("IMA_ADPCM", 48000), ("MS_ADPCM", 48000)])
def test_kinds_that_cannot_be_entered_in_the_middle(tmp_path, subtype, rate_hz):
    path = write(tmp_path / "take.wav", sine(440.0, 1.0, rate_hz=rate_hz), subtype=subtype, rate_hz=rate_hz)
    capture = open_capture(path)
    whole = capture.read(0, capture.n_samples)
    assert capture.header_samples is None
    for start in (5000, 100, 7000, 7500, 0):
        np.testing.assert_array_equal(capture.read(start, start + 500), whole[start : start + 500])


@pytest.mark.parametrize("ending", ["raw", "vox", "au", "gsm", "snd", "mp3", "flac", "wav", ""])
def test_no_guessing_by_the_ending(tmp_path, ending):
    path = tmp_path / f"notes.{ending}"
    path.write_text("r1 is 10 k, r2 is 11 k\n" * 2000)
    with pytest.raises(CaptureError, match="is no sound file"):
        open_capture(path)


def test_a_good_file_with_a_wrong_ending_is_read(tmp_path, take):
    other = take.rename(tmp_path / "take.raw")
    assert open_capture(other).n_samples == RATE_HZ


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ({"channel": 3}, "--channel 3: {take} has 2 channels; give 1 to 2; channels count from 1"),
        ({"channel": 0}, "--channel 0: {take} has 2 channels; give 1 to 2; channels count from 1"),
        ({"channel": -1}, "--channel -1: {take} has 2 channels; give 1 to 2; channels count from 1"),
        ({"start_s": 1.0}, "--start 1: {take} is 1.000 s long; give less than 1.000"),
        ({"start_s": 7.0}, "--start 7: {take} is 1.000 s long; give less than 1.000"),
        ({"start_s": -0.1}, "--start -0.1: expected seconds from the start of the file; give 0 or more"),
        ({"start_s": float("nan")}, "--start nan: expected seconds from the start of the file; give 0 or more"),
        ({"end_s": float("inf")}, "--end inf: expected seconds from the start of the file; give 0 or more"),
        ({"end_s": 0.0}, "--end 0 is not after --start 0; give a later end"),
        ({"start_s": 0.5, "end_s": 0.5}, "--end 0.5 is not after --start 0.5; give a later end"),
        ({"start_s": 0.5, "end_s": 0.2}, "--end 0.2 is not after --start 0.5; give a later end"),
        (
            {"start_s": 0.5, "end_s": 0.54},
            "--start and --end leave 40.0 ms of {take}, at least 50 ms is needed; choose a longer span",
        ),
    ],
)
def test_options_out_of_range(take, options, line):
    with pytest.raises(OptionError) as caught:
        open_capture(take, **options)
    assert str(caught.value) == line.format(take=take)


def test_the_bench_files_channel_is_named_as_such(take):
    with pytest.raises(OptionError, match=r"^\[capture\] channel of the bench file 5: .* has 2 channels"):
        open_capture(take, settings=CaptureSettings(channel=5))


# What is read


BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 24, "DOUBLE": 53}


KINDS = [
    (fmt, endian, subtype)
    for fmt in ("WAV", "WAVEX", "RF64", "AIFF", "AU", "W64", "CAF", "FLAC")
    for endian in ("FILE", "LITTLE", "BIG")
    for subtype in (*BITS, "ULAW", "ALAW")
    if soundfile.check_format(fmt, subtype, endian)
]


@pytest.mark.parametrize(("fmt", "endian", "subtype"), KINDS)
def test_every_kind_of_file_gives_its_samples(tmp_path, fmt, endian, subtype):
    x = one_second()
    path = tmp_path / "take"
    soundfile.write(path, x, RATE_HZ, format=fmt, subtype=subtype, endian=endian)
    capture = open_capture(path)
    assert (capture.n_samples, capture.sample_rate_hz, capture.subtype) == (RATE_HZ, RATE_HZ, subtype)
    assert capture.header_samples is None
    read = capture.read(0, RATE_HZ)
    assert read.dtype == np.float64
    # One code of rounding; the companded kinds (ITU-T G.711) within a step of their top segment, 1/32.
    atol = 2.0 ** (1 - BITS[subtype]) if subtype in BITS else 2.0**-5
    np.testing.assert_allclose(read, x, rtol=0.0, atol=atol)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 192000, 384000])
@pytest.mark.parametrize("channels", [1, 2, 5, 32])
def test_rates_and_channels(tmp_path, rate_hz, channels):
    n = rate_hz // 10
    x = np.arange(1, channels + 1) / 64.0 * np.ones((n, 1))
    path = write(tmp_path / "take.wav", x, rate_hz=rate_hz)
    for channel in range(1, channels + 1):
        capture = open_capture(path, channel=channel)
        assert capture.channels == channels
        assert capture.sample_rate_hz == rate_hz
        np.testing.assert_array_equal(capture.read(3, 40), np.full(37, channel / 64.0))


def test_the_first_channel_unless_told_and_options_beat_the_bench_file(take):
    assert open_capture(take).channel == 1
    assert open_capture(take, settings=CaptureSettings(channel=2)).channel == 2
    assert open_capture(take, channel=1, settings=CaptureSettings(channel=2)).channel == 1


@pytest.mark.parametrize("fmt", ["WAV", "FLAC"])
def test_any_order_of_reading_gives_the_same(tmp_path, fmt):
    capture = open_capture(write(tmp_path / "take", one_second(), fmt=fmt))
    whole = capture.read(0, RATE_HZ)
    rng = np.random.default_rng(5)
    for _ in range(50):
        start, stop = np.sort(rng.integers(0, RATE_HZ + 1, 2)).tolist()
        np.testing.assert_array_equal(capture.read(start, stop), whole[start:stop])


def test_reading_outside_is_a_programmers_mistake(take):
    capture = open_capture(take)
    for start, stop in ((-1, 5), (0, RATE_HZ + 1), (7, 6)):
        with pytest.raises(ValueError, match=r"samples .* of 48000"):
            capture.read(start, stop)


def test_a_span_is_in_samples_of_the_file(take):
    capture = open_capture(take, start_s=0.25, end_s=99.0)
    assert (capture.start_sample, capture.stop_sample, capture.duration_s) == (12000, 48000, 1.0)


def test_what_the_bench_file_says_of_the_chain(take):
    settings = CaptureSettings(volts_per_full_scale=5.0, inverted=True, clock_error_ppm=100.0, ac_coupling_hz=2.0)
    capture = open_capture(take, settings=settings)
    assert capture.volts_per_full_scale == 5.0
    assert capture.ac_coupling_hz == 2.0
    assert capture.true_rate_hz == pytest.approx(48004.8, rel=1e-12)
    np.testing.assert_array_equal(capture.read(0, 100), -open_capture(take).read(0, 100))


def test_threads_share_a_capture(take):
    capture = open_capture(take)
    whole = capture.read(0, RATE_HZ)
    wrong = []

    def work(seed):
        rng = np.random.default_rng(seed)
        for start in rng.integers(0, RATE_HZ - 500, 200).tolist():
            if not np.array_equal(capture.read(start, start + 500), whole[start : start + 500]):
                wrong.append(start)

    threads = [threading.Thread(target=work, args=(seed,)) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_a_capture_can_be_sent_to_another_process(take):
    capture = open_capture(take, channel=2)
    other = pickle.loads(pickle.dumps(capture))
    assert other == capture
    np.testing.assert_array_equal(other.read(5, 50), capture.read(5, 50))


def test_errors_can_be_sent_to_another_process():
    error = pickle.loads(pickle.dumps(CaptureError("what", "mend")))
    assert (error.what, error.remedy, str(error)) == ("what", "mend", "what; mend")


def test_the_hash_is_the_files(take):
    import hashlib

    assert open_capture(take).sha256() == hashlib.sha256(take.read_bytes()).hexdigest()


def test_a_file_that_shrinks_while_it_is_read(take):
    capture = open_capture(take)
    with take.open("r+b") as file:
        file.truncate(10_000)
    with pytest.raises(CaptureError, match="take"):
        capture.read(30_000, 40_000)


def test_damaged_flac_is_one_clear_error_or_is_read_as_far_as_it_goes(tmp_path):
    path = write(tmp_path / "take.flac", one_second(), fmt="FLAC")
    raw = bytearray(path.read_bytes())
    for seed in range(20):
        rng = np.random.default_rng(seed)
        bad = bytearray(raw)
        for at in rng.integers(100, len(bad), 30).tolist():
            bad[at] ^= int(rng.integers(1, 256))
        path.write_bytes(bad)
        try:
            capture = open_capture(path)
            n_read = len(capture.read(0, capture.n_samples))
        except ListenError:
            continue
        assert n_read == capture.n_samples, seed


@pytest.mark.skipif(os.name == "nt", reason="named pipes of POSIX")
def test_a_named_pipe_and_standard_input(tmp_path, take):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(take.read_bytes()))
    writer.start()
    capture = open_capture(pipe)
    writer.join()
    np.testing.assert_array_equal(capture.read(0, RATE_HZ), open_capture(take).read(0, RATE_HZ))
    code = "from listen.capture import open_capture as o; c = o('-'); print(c.n_samples, c.sha256()[:8])"
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, input=take.read_bytes(), capture_output=True, check=True, cwd=REPO)
    assert done.stdout.decode().split() == [str(RATE_HZ), open_capture(take).sha256()[:8]]


def test_empty_standard_input_is_one_clear_error():
    code = "from listen.capture import open_capture as o; o('-')"
    done = subprocess.run(
        [sys.executable, "-c", code], stdin=subprocess.DEVNULL, capture_output=True, check=False, cwd=REPO, text=True
    )
    assert done.stderr.splitlines()[-1].endswith("CaptureError: standard input: is empty (0 bytes); record it again")


@pytest.mark.parametrize("fmt", ["WAV", "WAVEX", "RF64", "AIFF", "AU", "W64", "CAF", "FLAC"])
def test_a_damaged_header_is_read_or_refused_in_one_line(tmp_path, fmt, capfd):
    path = tmp_path / "take"
    soundfile.write(path, one_second()[:9600], RATE_HZ, format=fmt, subtype="PCM_16")
    whole = path.read_bytes()
    outcomes = {"read": 0, "refused": 0}
    for seed in range(80):
        rng = np.random.default_rng(seed)
        bad = bytearray(whole)
        for at in rng.integers(0, 120, rng.integers(1, 6)).tolist():
            bad[at] = int(rng.choice([0, 127, 128, 255, rng.integers(256)]))
        path.write_bytes(bad[: int(rng.integers(1, len(bad)))] if rng.random() < 0.3 else bad)
        try:
            capture = open_capture(path)
            capture.read(0, capture.n_samples)
        except ListenError as error:
            outcomes["refused"] += "\n" not in str(error)
        else:
            outcomes["read"] += 1
    assert outcomes["read"] + outcomes["refused"] == 80
    assert min(outcomes.values()) > 5
    assert capfd.readouterr() == ("", "")
