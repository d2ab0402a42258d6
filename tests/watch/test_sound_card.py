"""The real path: a tone played into a sound server and heard through PortAudio."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.watch.sound_server import RATE_HZ, SoundServer, need_server

REPO = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-m", "listen.cli", "watch"]


@pytest.fixture
def server() -> Iterator[SoundServer]:
    need_server()
    running = SoundServer()
    yield running
    running.close()


def tone(seconds: float, f0_hz: float = 440.0) -> bytes:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (0.3 * np.sin(2 * np.pi * f0_hz * t) + 0.0005 * np.sin(4 * np.pi * f0_hz * t)).astype("<f4").tobytes()


def play(server: SoundServer, seconds: float) -> None:
    """Play a tone, and wait until it sounds."""
    server.play(tone(seconds))
    time.sleep(1.0)


def listening(server: SoundServer, *options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, "--device", "pulse", "--json-lines", "-", *options],
        env=server.environment, cwd=REPO, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def keeping(server: SoundServer, folder: Path) -> tuple[subprocess.Popen[str], list[dict[str, Any]], Path]:
    """Listen and keep the take: the process, its events to come, the file."""
    kept = folder / "take.wav"
    return listening(server, "--keep", str(kept)), [], kept


def until(process: subprocess.Popen[str], events: list[dict[str, Any]], heard_s: float) -> None:
    """Read events until so much was heard."""
    assert process.stdout is not None
    for line in process.stdout:
        events.append(json.loads(line))
        if events[-1].get("heard_s", 0.0) >= heard_s:
            return


def rest(process: subprocess.Popen[str], events: list[dict[str, Any]]) -> tuple[int, str]:
    out, complaint = process.communicate(timeout=60)
    events += [json.loads(line) for line in out.splitlines()]
    return process.returncode, complaint


def test_a_tone_is_heard_to_a_hundredth_of_a_cent(server, tmp_path):
    play(server, 12.0)
    kept = tmp_path / "take.wav"
    process = listening(server, "--seconds", "6", "--keep", str(kept))
    events: list[dict[str, Any]] = []
    status, complaint = rest(process, events)
    assert complaint == f"listen: kept {kept}\n"
    assert status == 0
    assert events[0]["sample_rate_hz"] == RATE_HZ
    steady = [e for e in events if e["type"] == "reading" and e["state"] == "steady"]
    assert len(steady) > 60
    assert max(abs(1200 * np.log2(e["f0_hz"] / 440.0)) for e in steady) < 0.01
    assert not [e for e in events if e["type"] == "lost"]
    assert soundfile.info(kept).duration == pytest.approx(6.0, abs=1e-4)


def test_the_inputs_are_listed_and_a_wrong_one_is_answered_with_them(server):
    done = subprocess.run(
        [*COMMAND, "--list-devices"], env=server.environment, cwd=REPO, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert f"pulse, 32 channels, {RATE_HZ} Hz" in done.stdout
    done = subprocess.run(
        [*COMMAND, "--device", "no such"], env=server.environment, cwd=REPO, capture_output=True, text=True
    )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "pulse" in done.stderr


def test_another_rate_is_said_to_be_resampled(server):
    process = listening(server, "--seconds", "1", "--rate", "44100")
    _, complaint = rest(process, [])
    assert "runs at 48000 Hz; at 44100 Hz it may be resampled" in complaint


@pytest.mark.parametrize("how", ["killed", "unplugged"])
def test_a_source_that_goes_is_said_and_the_take_is_whole(server, tmp_path, how):
    play(server, 20.0)
    process, events, kept = keeping(server, tmp_path)
    until(process, events, 3.0)
    gone_s = time.monotonic()
    if how == "killed":
        server.process.kill()
    else:
        server.control("unload-module", "module-null-sink")
    status, complaint = rest(process, events)
    took_s = time.monotonic() - gone_s
    assert took_s < 20.0
    assert status in (0, 1)
    said, gone = complaint.splitlines()
    assert gone.startswith("listen: the source went away at 0:0")
    assert said == f"listen: kept {kept}"
    assert events[-1]["reason"] == "source lost"
    assert events[-1]["verdict"] is not None
    assert soundfile.info(kept).duration == pytest.approx(events[-1]["heard_s"], abs=1e-3)


def test_another_input_and_another_rate_are_said(server, tmp_path):
    """The server moves the stream to another input when its own is unplugged, and back to one of another rate."""
    server.control("load-module", "module-null-sink", "sink_name=webcam", f"rate={RATE_HZ}", "norewinds=1")
    play(server, 30.0)
    process, events, kept = keeping(server, tmp_path)
    until(process, events, 4.0)
    server.control("unload-module", server.module_of("sink_name=bench"))
    until(process, events, events[-1]["heard_s"] + 5.0)
    server.control("load-module", "module-null-sink", "sink_name=bench", "rate=44100", "norewinds=1")
    server.control("move-source-output", own_number(server, process.pid), "bench.monitor")
    until(process, events, events[-1]["heard_s"] + 5.0)
    process.send_signal(signal.SIGINT)
    status, complaint = rest(process, events)
    assert status in (0, 1)
    assert complaint == f"listen: kept {kept}\n"
    said = [e["sentence"] for e in events if e["type"] == "source"]
    assert '"webcam.monitor", not "bench.monitor"' in said[0]
    assert '"bench.monitor", not "webcam.monitor"' in said[1]
    assert events[-1]["reason"] == "interrupted"
    assert soundfile.info(kept).duration == pytest.approx(events[-1]["heard_s"], abs=1e-3)


def own_number(server: SoundServer, process_id: int) -> str:
    """Number of the stream that a process hears."""
    for one in server.control("list", "source-outputs").stdout.split("Source Output #")[1:]:
        if f'application.process.id = "{process_id}"' in one:
            return one.split("\n")[0]
    raise AssertionError("it hears nothing")


def test_what_a_stalled_server_drops_is_counted(server):
    """The listener is stopped for some seconds: what the server could not hold is lost, and said."""
    play(server, 40.0)
    process = listening(server)
    events: list[dict[str, Any]] = []
    until(process, events, 4.0)
    os.kill(process.pid, signal.SIGSTOP)
    stopped_s = time.monotonic()
    time.sleep(12.0)
    os.kill(process.pid, signal.SIGCONT)
    stall_s = time.monotonic() - stopped_s
    began_s = events[-1]["heard_s"]
    resumed_s = time.monotonic()
    while time.monotonic() - resumed_s < 8.0:
        until(process, events, events[-1].get("heard_s", began_s) + 0.2)
    process.send_signal(signal.SIGINT)
    status, _ = rest(process, events)
    assert status in (0, 1)
    lost_s = sum(e["seconds"] for e in events if e["type"] == "lost")
    heard_s = events[-1]["heard_s"] - began_s
    # what was heard and what was lost are together the time that passed
    assert heard_s + lost_s == pytest.approx(stall_s + 8.0, abs=1.0)
    assert events[-1]["lost_s"] == pytest.approx(lost_s, abs=0.01)


@pytest.mark.parametrize("apart", [True, False])
def test_pips_are_refused_where_they_get_into_the_input(server, apart):
    """Played into the sink whose monitor is heard, or into another one."""
    if apart:
        server.control("load-module", "module-null-sink", "sink_name=other", f"rate={RATE_HZ}", "norewinds=1")
        server.control("set-default-sink", "other")
    play(server, 25.0)
    process = listening(server, "--sound", "--seconds", "12")
    status, complaint = rest(process, [])
    assert status in (0, 1)
    assert "start with the volume at zero" in complaint
    assert ("would be measured" in complaint) == (not apart)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_server_that_stands_still_holds_nothing_up(server, tmp_path, number):
    """Its library waits for it without end: the take is made whole and the program ends all the same."""
    play(server, 20.0)
    process, events, kept = keeping(server, tmp_path)
    until(process, events, 3.0)
    server.process.send_signal(signal.SIGSTOP)
    while events[-1].get("state") != "lost":
        until(process, events, 0.0)
    process.send_signal(number)
    status, _ = rest(process, events)
    server.process.send_signal(signal.SIGCONT)
    assert status in (0, 1)
    assert events[-1]["type"] == "summary"
    assert soundfile.info(kept).duration == pytest.approx(events[-1]["heard_s"], abs=1e-3)
