"""Watching for minutes on the real path, and through a pipe at real-time pace: what was read, lost and spent.

    scripts/soak-watch [--seconds N] [case ...]

Cases: card (a tone played into a sound server of its own and heard through PortAudio), pipe (the same through a pipe),
stalled (the server stands still for 30 s), unplugged, killed, rate (the server moves the stream to an input of another
rate). Without names: all of them, card and pipe for --seconds (300). Needs what the sound card's tests need.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from tests.watch.sound_server import RATE_HZ, SoundServer  # noqa: E402

F0_HZ = 440.0
COMMAND = [sys.executable, "-m", "listen.cli", "watch", "--json-lines", "-"]
STALL_S = 30.0


def tone(seconds: float) -> bytes:
    """A tone with a second harmonic at -56 dB, 32-bit floating point."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (0.3 * np.sin(2 * np.pi * F0_HZ * t) + 0.0005 * np.sin(4 * np.pi * F0_HZ * t)).astype("<f4").tobytes()


@dataclass
class Heard:
    """What one watch said, and what it cost while it heard."""

    process: subprocess.Popen[str]
    take: Path
    events: list[dict[str, Any]] = field(default_factory=list)
    spent: list[tuple[float, float, float]] = field(default_factory=list)
    """Seconds by the clock, seconds of processor time, resident MB."""
    words: str = ""
    ended_s: float = math.inf
    status: int = -1

    def __post_init__(self) -> None:
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        threading.Thread(target=self._look, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.events.append(json.loads(line))

    def _look(self) -> None:
        ticks = os.sysconf("SC_CLK_TCK")
        while self.process.poll() is None:
            try:
                stat = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
                pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
            except (OSError, IndexError):
                return
            # its own time and that of the children that it waited for (pactl)
            spent_s = sum(int(stat[i]) for i in (11, 12, 13, 14)) / ticks
            self.spent.append((time.monotonic(), spent_s, pages * os.sysconf("SC_PAGE_SIZE") / 2**20))
            time.sleep(1.0)

    def until(self, heard_s: float) -> None:
        """Wait until so much was heard."""
        while self.process.poll() is None and self.heard_s < heard_s:
            time.sleep(0.2)

    @property
    def heard_s(self) -> float:
        """Seconds heard so far."""
        return float(next((e["heard_s"] for e in reversed(self.events[-9:]) if "heard_s" in e), 0.0))

    def end(self, *, ask: bool) -> None:
        """Wait for the end, and ask for it where nothing else brings it."""
        self.ended_s = time.monotonic()  # what comes is the closing check
        if ask and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        assert self.process.stderr is not None
        self.words = self.process.stderr.read()
        self.status = self.process.wait(120)
        self._reader.join()

    def row(self, name: str) -> str:
        """One row of the table."""
        steady = [e["f0_hz"] for e in self.events if e["type"] == "reading" and e["state"] == "steady"]
        off = 1200 * np.abs(np.log2(np.array(steady or [np.nan]) / F0_HZ))
        lost_s = sum(e["seconds"] for e in self.events if e["type"] == "lost")
        hearing = [point for point in self.spent if point[0] <= self.ended_s]
        first, last = hearing[min(3, len(hearing) - 1)], hearing[-1]
        summary = self.events[-1]
        whole = abs(soundfile.info(self.take).duration - summary.get("heard_s", -1.0)) < 1e-3
        took_s = last[0] - first[0]
        cost = f"{100 * (last[1] - first[1]) / took_s:7.1f}" if took_s > 10.0 else f"{'-':>7}"
        most_mb = max(mb for *_, mb in hearing)
        ended = f"{'whole' if whole else 'NOT WHOLE'}, status {self.status}, {summary.get('reason')}"
        return (
            f"{name:<11}{summary.get('heard_s', 0.0):9.2f} {len(steady):8} {np.median(off):10.5f} {off.max():9.5f} "
            f"{lost_s:7.2f} {cost} {most_mb:7.0f}   {ended}"
        )


HEAD = "case         heard s   steady   cents off    at most  lost s   CPU %  MB most   take"


def words_of(heard: Heard) -> str:
    """All that was said in words, each once."""
    said = [f"{e['seconds']} s of samples lost" for e in heard.events if e["type"] == "lost"]
    said += [e["sentence"] for e in heard.events if e["type"] == "source"]
    states = [e["state"] for e in heard.events if e["type"] == "reading"]
    said += ["nothing comes"] * ("lost" in states)
    said += [line for line in heard.words.splitlines() if "kept" not in line]
    return "".join(f"            {line}\n" for line in dict.fromkeys(said))


def card(folder: Path, name: str, seconds: float) -> Heard:
    """One case on the real path."""
    server = SoundServer()
    try:
        if name == "rate":
            server.control("load-module", "module-null-sink", "sink_name=other", "rate=44100", "norewinds=1")
            other = server.play(tone(60.0), sink="other")
        player = server.play(tone(seconds + 2 * STALL_S + 30.0))
        time.sleep(1.0)
        heard = Heard(
            subprocess.Popen(
                [*COMMAND, "--device", "pulse", "--keep", str(folder / f"{name}.wav")],
                env=server.environment, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            ),
            folder / f"{name}.wav",
        )  # fmt: skip
        heard.until(seconds if name == "card" else 6.0)
        if name == "stalled":
            server.process.send_signal(signal.SIGSTOP)
            time.sleep(STALL_S)
            server.process.send_signal(signal.SIGCONT)
            time.sleep(10.0)
        elif name == "unplugged":
            server.control("unload-module", "module-null-sink")
        elif name == "killed":
            server.process.kill()
        elif name == "rate":
            server.control("unload-module", server.module_of("sink_name=bench"))
            time.sleep(8.0)
            other.kill()
            other.wait()
        heard.end(ask=name in ("card", "stalled", "rate"))
        player.kill()
        player.wait()
        return heard
    finally:
        server.close()


def pipe(folder: Path, seconds: float) -> Heard:
    """The tone through a pipe at real-time pace, in blocks of 10 ms."""
    block, data = RATE_HZ // 100 * 4, tone(10.0)
    process = subprocess.Popen(
        [*COMMAND, "-", "--rate", str(RATE_HZ), "--format", "f32", "--keep", str(folder / "pipe.wav")],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    heard = Heard(process, folder / "pipe.wav")
    assert process.stdin is not None
    samples = process.stdin.buffer
    begun_s = time.monotonic()
    for i in range(round(100 * seconds)):
        at = i % 1000 * block
        time.sleep(max(0.0, begun_s + (i + 1) / 100 - time.monotonic()))
        samples.write(data[at : at + block])
        samples.flush()
    process.stdin.close()
    heard.end(ask=False)
    return heard


CASES = ("card", "pipe", "stalled", "unplugged", "killed", "rate")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", metavar="case", help=", ".join(CASES))
    parser.add_argument("--seconds", type=float, default=300.0, help="of card and pipe")
    options = parser.parse_args()
    if unknown := set(options.cases) - set(CASES):
        parser.error(f"no case {min(unknown)!r}; there are {', '.join(CASES)}")
    print(HEAD, flush=True)
    with tempfile.TemporaryDirectory(prefix="listen-soak-") as name:
        for case in options.cases or CASES:
            folder = Path(name)
            heard = pipe(folder, options.seconds) if case == "pipe" else card(folder, case, options.seconds)
            print(heard.row(case) + "\n" + words_of(heard), end="", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
