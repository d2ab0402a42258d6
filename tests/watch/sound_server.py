"""A sound server of the test's own: PulseAudio with a null sink, whose monitor is heard through PortAudio."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

RATE_HZ = 48_000


def need_server() -> None:
    """Skip where there is no sound server to start; fail where one is required."""
    missing = [tool for tool in ("pulseaudio", "pactl", "pacat") if shutil.which(tool) is None]
    if not missing:
        try:
            import sounddevice  # noqa: F401
        except (ImportError, OSError) as error:
            missing = [f"sounddevice ({error})"]
    if missing:
        reason = f"no sound server to test with: {', '.join(missing)} missing"
        if os.environ.get("LISTEN_SOUND_SERVER") == "required":
            pytest.fail(reason)
        pytest.skip(reason)


class SoundServer:
    """Runs as any user, root too, without systemd or D-Bus."""

    def __init__(self, rate_hz: int = RATE_HZ) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="listen-sound-"))
        self._players: list[subprocess.Popen[bytes]] = []
        socket = self.folder / "native"
        script = self.folder / "default.pa"
        # without norewinds the first second and more of what is played comes late
        script.write_text(
            f"load-module module-native-protocol-unix socket={socket} auth-anonymous=1\n"
            f"load-module module-null-sink sink_name=bench rate={rate_hz} format=float32le channels=1 norewinds=1\n"
            "set-default-source bench.monitor\nset-default-sink bench\n"
        )
        (self.folder / "asound").write_text(
            "pcm.pulse { type pulse }\nctl.pulse { type pulse }\npcm.!default { type pulse }\n"
        )
        own = {"XDG_RUNTIME_DIR": self.folder, "HOME": self.folder, "PULSE_SERVER": f"unix:{socket}"}
        self.environment = {**os.environ, **{name: str(value) for name, value in own.items()}}
        self.process = subprocess.Popen(
            ["pulseaudio", "-n", "-F", script, "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
             "--disable-shm=yes", "--realtime=no", "--high-priority=no"],
            env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._wait()

    def _wait(self) -> None:
        end_s = time.monotonic() + 20.0
        while time.monotonic() < end_s:
            if self.control("info").returncode == 0:
                return
            time.sleep(0.1)
        raise RuntimeError("the sound server did not start")

    def control(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["pactl", *words], env=self.environment, capture_output=True, text=True, check=False, timeout=10
        )

    def module_of(self, argument: str) -> str:
        """Number of the module that was loaded with an argument."""
        lines = self.control("list", "short", "modules").stdout.splitlines()
        return next(line.split()[0] for line in lines if argument in line)

    def play(self, samples: bytes, rate_hz: int = RATE_HZ, sink: str = "bench") -> subprocess.Popen[bytes]:
        """Play 32-bit floating point, from a file, so that the player has the server's pace; until closed at most."""
        path = self.folder / f"play-{time.monotonic_ns()}.raw"
        path.write_bytes(samples)
        with path.open("rb") as file:
            player = subprocess.Popen(
                ["pacat", "--playback", f"--device={sink}", f"--rate={rate_hz}", "--format=float32le", "--channels=1",
                 "--latency-msec=50"],
                env=self.environment, stdin=file, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
        self._players.append(player)
        return player

    def close(self) -> None:
        for player in self._players:
            player.kill()
            player.wait()
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(5)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)
