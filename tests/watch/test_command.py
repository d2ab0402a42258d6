"""``listen watch`` as it is called: pipes, growing files, signals, statuses, and lines for other programs."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import numpy as np
import pytest
import soundfile

import listen
from listen.logbook import read_history
from listen.report import write_frames_csv
from tests.tones import times
from tests.watch.streams import encoded, wav_header

REPO = Path(__file__).resolve().parents[2]
FAULTY = REPO / "fixtures" / "sine-board-unequal-supplies.wav"
MENDED = REPO / "fixtures" / "sine-board-mended.wav"
COMMAND = [sys.executable, "-m", "listen.cli", "watch"]
TONE = encoded(0.3 * np.sin(2 * np.pi * 440 * times(3.0)), "s16")


def watch(*options: str, data: bytes = b"", **settings) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([*COMMAND, *options], input=data, capture_output=True, check=False, timeout=120, **settings)


def lines(done: subprocess.CompletedProcess[bytes]) -> list[dict]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_the_summary_is_the_check_of_the_take(tmp_path):
    """Findings, status and every character of the frames table."""
    kept, frames = tmp_path / "take.wav", tmp_path / "frames.csv"
    done = watch("-", "--keep", str(kept), "--frames", str(frames), "--json-lines", "-", data=FAULTY.read_bytes())
    assert done.returncode == 1, done.stderr
    events = lines(done)
    assert events[0] == {
        "type": "start", "schema": "listen.watch/1", "sample_rate_hz": 48000, "channels": 1, "channel": 1,
    }  # fmt: skip
    assert events[-1]["type"] == "summary"
    assert {event["type"] for event in events[1:-1]} <= {"reading", "finding", "cleared"}
    result = listen.check(kept)
    assert [(f["kind"], f["severity"], f["half"]) for f in events[-1]["findings"]] == [
        (f.kind, f.severity, f.half) for f in result.findings
    ]
    assert (events[-1]["verdict"], events[-1]["reason"]) == (result.verdict, "end of stream")
    write_frames_csv(result.frames, tmp_path / "check.csv")
    assert frames.read_text() == (tmp_path / "check.csv").read_text()
    # and the take is the stream, sample for sample
    np.testing.assert_array_equal(soundfile.read(kept)[0], soundfile.read(FAULTY)[0])


def test_a_healthy_board_has_status_0():
    assert watch("-", "--quiet", data=MENDED.read_bytes()).returncode == 0


def test_readings_have_their_keys_and_come_often():
    done = watch("-", "--rate", "48000", "--json-lines", "-", data=TONE)
    readings = [event for event in lines(done) if event["type"] == "reading"]
    assert len(readings) >= 30
    assert list(readings[-1]) == [
        "type", "time_s", "heard_s", "f0_hz", "cents", "level_dbfs", "thd_percent", "h2_dbc", "h3_dbc",
        "crest_positive", "crest_negative", "state",
    ]  # fmt: skip
    assert readings[-1]["f0_hz"] == pytest.approx(440.0, abs=0.01)
    assert readings[-1]["state"] == "steady"


@pytest.mark.parametrize("encoding", ["s16", "s24", "f32"])
def test_raw_samples_need_their_rate_alone(encoding):
    data = encoded(0.3 * np.sin(2 * np.pi * 330 * times(1.0)), encoding)
    done = watch("-", "--rate", "48000", "--format", encoding, "--json-lines", "-", data=data)
    assert lines(done)[-2]["f0_hz"] == pytest.approx(330.0, abs=0.01)


def test_the_second_channel_is_heard():
    both = np.column_stack([0.1 * np.sin(2 * np.pi * 200 * times(1.0)), 0.3 * np.sin(2 * np.pi * 500 * times(1.0))])
    data = encoded(both.ravel(), "s16")
    done = watch("-", "--rate", "48000", "--channels", "2", "--channel", "2", "--json-lines", "-", data=data)
    assert lines(done)[-2]["f0_hz"] == pytest.approx(500.0, abs=0.01)


@pytest.mark.parametrize(
    ("options", "data", "said"),
    [
        (["-"], b"", "nothing came"),
        (["-"], b"\1\2" * 3000, "--rate 48000"),
        (["-"], wav_header(0xFFFFFFFF)[:30], "ends within its header"),
        (["-", "--rate", "5"], TONE, "8000 to 384000"),
        (["-", "--rate", "48000"], TONE[:2000], "at least 50 ms"),
        (["-", "--rate", "48000", "--channel", "3"], TONE, "--channel 3"),
        (["nowhere.wav"], b"", "no such file"),
        (["."], b"", "is a folder"),
        (["-", "--note", "H9"], TONE, "no note"),
        (["-", "--note", "C" + "9" * 400], TONE, "no note"),
        (["-", "--note", "C" + "#" * 20_000 + "4"], TONE, "no note"),
        (["-", "--note", "A15"], TONE, "no note"),
        (["-", "--interval", "0.5"], TONE, "--interval"),
        (["-", "--interval", "9" * 400 + ":1"], TONE, "--interval"),
        (["-", "--every", "0"], TONE, "--every"),
        (["-", "--keep", "no/such/take.wav"], TONE, "does not exist"),
        (["-", "--keep", "-"], TONE, "--keep needs a file"),
    ],
)
def test_bad_input_is_one_line_and_status_2(options, data, said, tmp_path):
    done = watch(*options, data=data, cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(REPO)})
    assert done.returncode == 2
    complaint = done.stderr.decode().splitlines()
    assert len(complaint) == 1, complaint
    assert said in complaint[0]
    assert list(tmp_path.iterdir()) == []


def test_a_take_that_is_there_is_not_written_over(tmp_path):
    (tmp_path / "take.wav").write_bytes(b"mine")
    done = watch("-", "--rate", "48000", "--keep", str(tmp_path / "take.wav"), data=TONE)
    assert done.returncode == 2
    assert b"is there already" in done.stderr
    assert (tmp_path / "take.wav").read_bytes() == b"mine"


def test_takes_are_named_by_build_and_time(tmp_path):
    done = watch("-", "--rate", "48000", "--quiet", "--keep", str(tmp_path), "--build", "north shelf, 3", "--logbook",
                 str(tmp_path / "log.sqlite"), data=TONE)  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    (name,) = [path.name for path in tmp_path.glob("*.wav")]
    assert name.startswith("north-shelf-3-20")
    assert listen.check(tmp_path / name).frames.oscillating.any()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_hearing_and_the_take_is_whole(tmp_path, number):
    kept = tmp_path / "take.wav"
    with subprocess.Popen(
        [*COMMAND, "-", "--keep", str(kept), "--json-lines", "-"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(wav_header(0xFFFFFFFF) + TONE)
        process.stdin.flush()
        seen = []
        for line in process.stdout:
            seen.append(json.loads(line))
            if seen[-1]["type"] == "reading" and seen[-1]["heard_s"] > 2.8:
                break
        process.send_signal(number)
        seen += [json.loads(line) for line in process.stdout]
        status = process.wait(30)
    assert (seen[-1]["type"], seen[-1]["reason"]) == ("summary", "interrupted")
    # a busy machine may not have checked it in the second that SIGTERM leaves
    unchecked = number == signal.SIGTERM and status == 2
    assert (status, seen[-1]["verdict"]) == ((2, None) if unchecked else (0, "pass"))
    assert soundfile.info(kept).duration == pytest.approx(seen[-1]["heard_s"])


def test_a_reader_that_has_seen_enough_ends_nothing(tmp_path):
    """``| head``: the take is kept and judged."""
    kept = tmp_path / "take.wav"
    with subprocess.Popen(
        [*COMMAND, "-", "--keep", str(kept)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        process.stdout.close()
        process.stdin.write(FAULTY.read_bytes())
        process.stdin.close()
        complaint = process.stderr.read()
        assert process.wait(60) == 1
    assert b"Traceback" not in complaint
    assert soundfile.info(kept).duration == pytest.approx(12.0, abs=0.1)


@pytest.mark.parametrize("finished", [True, False])
def test_a_file_is_heard_while_it_grows(tmp_path, finished):
    """A recorder that writes every tenth of a second, and then completes the header; or is stopped from outside."""
    path = tmp_path / "growing.wav"
    path.write_bytes(wav_header(0))

    def grow() -> None:
        step = 9600
        for at in range(0, len(TONE), step):
            with path.open("ab") as file:
                file.write(TONE[at : at + step])
            time.sleep(0.1)
        if finished:
            with path.open("r+b") as file:
                file.write(wav_header(len(TONE)))

    thread = threading.Thread(target=grow)
    thread.start()
    options = [] if finished else ["--seconds", "2"]
    done = watch(str(path), "--json-lines", "-", *options)
    thread.join()
    events = lines(done)
    assert done.returncode == 0, done.stderr
    assert events[-1]["reason"] == "end of stream"
    assert events[-1]["heard_s"] == pytest.approx(3.0 if finished else 2.0, abs=1e-3)


def test_samples_at_another_rate_than_stated_are_said():
    """A recorder at 44.1 kHz whose samples are taken for 48 kHz: a note of 440 Hz reads 479 Hz."""
    data = encoded(0.3 * np.sin(2 * np.pi * 440 / 44_100 * np.arange(44_100 * 9)), "s16")
    with subprocess.Popen(
        [*COMMAND, "-", "--rate", "48000"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        begun_s = time.monotonic()
        for at in range(0, len(data), 4410):
            time.sleep(max(0.0, begun_s + at / 88_200 - time.monotonic()))
            process.stdin.buffer.write(data[at : at + 4410])
            process.stdin.buffer.flush()
        process.stdin.close()
        said = process.stdout.read()
    assert "44100 samples a second come, not the stated 48000: every pitch reads 147 cents too high" in said


def test_the_logbook_has_the_source_of_a_take_that_is_not_kept(tmp_path):
    log = tmp_path / "log.sqlite"
    watch("-", "--rate", "48000", "--quiet", "--logbook", str(log), "--build", "shelf", data=TONE)
    (entry,) = read_history(log, "shelf")
    assert entry.document["capture"]["path"] == "standard input"


def test_lines_for_people_where_there_is_no_terminal():
    done = watch("-", "--rate", "48000", data=TONE)
    text = done.stdout.decode()
    assert "hearing channel 1 of 1 at 48 kHz" in text
    assert "A4" in text
    assert "\x1b" not in text
    assert "silent" not in text
    # the take was not kept: its name is the source's, here and in the logbook
    assert "take │ standard input" in text
    assert "listen-" not in text


def test_the_page_is_served_while_it_hears():
    with subprocess.Popen(
        [*COMMAND, "-", "--quiet", "--page", "0"], stdin=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        process.stdin.write(wav_header(0xFFFFFFFF) + TONE)
        process.stdin.flush()
        said = process.stderr.readline().decode()
        url = said.split()[-1]
        with urllib.request.urlopen(f"{url}events?level", timeout=20) as stream:
            # what it heard before the page was open is past
            process.stdin.write(TONE)
            process.stdin.flush()
            end_s = time.monotonic() + 20.0
            while b'"number": "-10.46"' not in (line := stream.readline()):
                assert line
                assert time.monotonic() < end_s
        process.stdin.close()
        assert process.stderr.read() == b""
        assert process.wait(30) == 0
    with pytest.raises(OSError, match="refused"):
        urllib.request.urlopen(url, timeout=5)


def test_check_loads_nothing_of_it():
    code = (
        "import sys\nfrom listen.cli import main\n"
        f"status = main(['check', {str(MENDED)!r}, '--quiet'])\n"
        "loaded = [m for m in sys.modules if m.split('.')[:2] == ['listen', 'watch']"
        " or m.split('.')[0] in ('prompt_toolkit', 'sounddevice', 'wcwidth', 'http')]\n"
        "sys.exit(f'loaded {loaded}, status {status}' if loaded or status else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
