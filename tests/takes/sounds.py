"""Recorded sounds of rooms and instruments, from a folder beside the project, brought to a take's rate and level."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import fft, signal

Floats = NDArray[np.float64]
Rng = np.random.Generator

LOUDEST_S = {"speech": 0.1, "knock": 0.01, "keys": 0.01}
"""A sound's level is the r.m.s. of its loudest segment of this length; of rooms and instruments, of the whole."""


def folder() -> Path | None:
    """Return the folder of sounds, if this machine has one: $LISTEN_SOUNDS, or shared/sounds beside the project."""
    named = os.environ.get("LISTEN_SOUNDS")
    path = Path(named) if named else Path(__file__).resolve().parents[3] / "shared" / "sounds"
    return path if (path / "index.json").is_file() else None


@lru_cache(maxsize=1)
def _index() -> tuple[dict[str, Any], ...]:
    place = folder()
    return tuple(json.loads((place / "index.json").read_text())) if place else ()


def files(group: str) -> list[str]:
    """Return the names of a group's sounds, in order."""
    return sorted(one["file"] for one in _index() if one["group"] == group)


@lru_cache(maxsize=64)
def _read(path: Path, rate_hz: int) -> Floats:
    samples, rate = soundfile.read(path, always_2d=True)
    return resampled(samples.mean(axis=1), int(rate), rate_hz)


def resampled(samples: Floats, from_hz: int, to_hz: int) -> Floats:
    """Bring samples to another rate; the mean is taken off."""
    common = int(np.gcd(from_hz, to_hz))
    if from_hz != to_hz:
        samples = signal.resample_poly(samples, to_hz // common, from_hz // common)
    return np.asarray(samples - np.mean(samples), dtype=np.float64)


def loudest_rms(samples: Floats, rate_hz: int, seconds: float) -> float:
    """Return the r.m.s. of the loudest segment."""
    length = max(int(seconds * rate_hz), 1)
    if length >= len(samples):
        return float(np.sqrt(np.mean(samples**2)))
    power = np.concatenate(([0.0], np.cumsum(samples**2)))
    return float(np.sqrt(np.max(power[length:] - power[:-length]) / length))


def sound(name: str, group: str, rate_hz: int) -> Floats:
    """Return one sound, its level (see LOUDEST_S) 1."""
    place = folder()
    assert place is not None
    samples = _read(place / name, rate_hz)
    whole_s = len(samples) / rate_hz
    return samples / loudest_rms(samples, rate_hz, LOUDEST_S.get(group, whole_s))


def lines_of(samples: Floats, rate_hz: int, most: int = 14) -> tuple[list[tuple[float, float, float]], Floats]:
    """Take steady lines off a recording.

    Returns
    -------
    lines : list of (hz, amplitude, phase)
        The mains' first; each of the others stood 12 dB over the spectrum beside it.
    rest : ndarray
        What is left.
    """
    rest = samples.copy()
    time_s = np.arange(len(rest)) / rate_hz
    window = np.hanning(len(rest))
    length = fft.next_fast_len(2 * len(rest), real=True)
    found: list[tuple[float, float, float]] = []
    for mains_hz in (50.0, 60.0):
        for k in range(1, 9):
            line_hz = _mains_line(rest, rate_hz, k * mains_hz)
            if line_hz is not None:
                rest, line = _taken_off(rest, time_s, line_hz)
                found.append(line)
    for _ in range(most):
        power = np.abs(fft.rfft(rest * window, length)) ** 2
        hz = np.fft.rfftfreq(length, 1.0 / rate_hz)
        wide = signal.medfilt(np.interp(np.arange(0.0, hz[-1], 2.0), hz, power), 31)
        beside = np.interp(hz, np.arange(0.0, hz[-1], 2.0), wide)
        over = np.where((hz > 30.0) & (power > 16.0 * beside), power, 0.0)
        if not np.any(over):
            break
        n = min(max(int(np.argmax(over)), 1), len(power) - 2)
        a, b, c = np.log(power[n - 1 : n + 2])
        line_hz = float(hz[n] + 0.5 * (a - c) / (a - 2.0 * b + c) * (hz[1] - hz[0]))
        rest, line = _taken_off(rest, time_s, line_hz)
        found.append(line)
    return found, rest


def _taken_off(rest: Floats, time_s: Floats, hz: float) -> tuple[Floats, tuple[float, float, float]]:
    basis = np.stack((np.cos(2.0 * np.pi * hz * time_s), -np.sin(2.0 * np.pi * hz * time_s)), 1)
    weights = np.linalg.lstsq(basis, rest, rcond=None)[0]
    return rest - basis @ weights, (hz, float(np.hypot(*weights)), float(np.arctan2(weights[1], weights[0])))


def _mains_line(samples: Floats, rate_hz: int, near_hz: float) -> float | None:
    """Return where a mains line stands, 8 dB over what lies 3 to 8 Hz beside it; rumble hides it from a wider look."""
    window = np.hanning(len(samples))
    time_s = np.arange(len(samples)) / rate_hz

    def size(hz: float) -> float:
        return float(abs(np.sum(window * samples * np.exp(-2j * np.pi * hz * time_s))))

    tries = near_hz + 0.004 * near_hz * np.linspace(-1.0, 1.0, 9)
    sizes = [size(float(hz)) for hz in tries]
    beside = [size(near_hz + away) for away in (-8.0, -6.5, -5.0, -3.5, 3.5, 5.0, 6.5, 8.0)]
    if max(sizes) < 2.5 * float(np.median(beside)):
        return None
    return float(tries[int(np.argmax(sizes))])


_MAINS_OFF_HZ = 0.1
"""Large networks keep closer mostly (from memory); a key's own ring at 59.8 Hz is none."""


def hum_rss(lines: list[tuple[float, float, float]]) -> float:
    """Return the r.s.s. of amplitudes of the lines on multiples of 50 or 60 Hz, whichever family is stronger."""
    totals = []
    for mains_hz in (50.0, 60.0):
        mine = [
            a for hz, a, _ in lines if hz < 900.0 and abs(hz - mains_hz * round(hz / mains_hz)) < max(0.7, 0.004 * hz)
        ]
        totals.append(float(np.sqrt(np.sum(np.square(mine)))))
    return max(totals)


@lru_cache(maxsize=64)
def parted(name: str, group: str, rate_hz: int) -> tuple[list[tuple[float, float, float]], Floats]:
    """Return the lines and the rest of one sound; of a word or a knock the mains' lines alone."""
    return lines_of(sound(name, group, rate_hz), rate_hz, most=14 if group == "room" else 0)


def hum_of(name: str, group: str, rate_hz: int) -> float:
    """Return the r.s.s. of the mains' lines in a word or a knock.

    The index decides, for a voice's own lines are none; but no voice has a steady line at 50 or 60 Hz itself: the
    recording of words may hum where the index does not say so.
    """
    lines = parted(name, group, rate_hz)[0]
    if not any(one["file"] == name and "hum" in one["what"] for one in _index()):
        lines = [line for line in lines if min(abs(line[0] - 50.0), abs(line[0] - 60.0)) < _MAINS_OFF_HZ]
    return hum_rss(lines)


def lengthened(name: str, rate_hz: int, count: int, rng: Rng) -> tuple[Floats, float]:
    """Lengthen a room: its lines go on as sines, the rest is laid over itself in random pieces of 0.4 s.

    Returns
    -------
    room : ndarray, shape (count,)
        As loud as the excerpt.
    hum : float
        r.s.s. of the amplitudes of its mains lines.
    """
    lines, rest = parted(name, "room", rate_hz)
    piece = min(int(0.4 * rate_hz), len(rest) // 2)
    hop = piece // 2
    # Pieces that do not belong together add in power: the square root of a Hann window keeps it.
    window = np.sqrt(0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(piece) + 0.5) / piece))
    room = np.zeros(count + 2 * piece)
    for first in range(0, count + hop, hop):
        start = int(rng.integers(0, len(rest) - piece))
        room[first : first + piece] += window * rest[start : start + piece]
    room = room[hop : hop + count]
    time_s = np.arange(count) / rate_hz
    for hz, amplitude, turn in lines:
        room += amplitude * np.cos(2.0 * np.pi * hz * time_s + turn)
    return room, hum_rss(lines)


PHRASES = (
    "recording the oscillator now",
    "one two three four",
    "is it on already",
    "turn it up a little",
    "wait, the other cable",
    "take number seven",
)


def speaks() -> bool:
    """Whether this machine has the speech synthesiser."""
    return shutil.which("espeak-ng") is not None


def spoken(phrase: int, rate_hz: int, pitch: int, speed: int) -> Floats:
    """Return a synthesised phrase, loudest 100 ms of r.m.s. 1."""
    with tempfile.TemporaryDirectory() as aside:
        path = Path(aside) / "phrase.wav"
        subprocess.run(
            ["espeak-ng", "-v", "en", "-p", str(pitch), "-s", str(speed), "-w", str(path), PHRASES[phrase]],
            check=True,
            capture_output=True,
        )
        samples, rate = soundfile.read(path)
    said = resampled(samples, int(rate), rate_hz)
    return said / loudest_rms(said, rate_hz, 0.1)


def placed(wave: Floats, count: int, at: int) -> Floats:
    """Return a sound laid into silence, cut where the take ends."""
    out = np.zeros(count)
    first = max(at, 0)
    last = min(at + len(wave), count)
    if last > first:
        out[first:last] = wave[first - at : last - at]
    return out
