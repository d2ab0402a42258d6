"""Readings while the take goes on: check's rows, and a state that is right within 0.3 s."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

import listen
from listen.watch import engine
from tests.tones import times
from tests.watch.streams import RATE_HZ, readings, watched

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
RNG = np.random.default_rng(12)


@pytest.mark.parametrize("name", ["sine-board-unequal-supplies", "sine-board-mended"])
def test_readings_are_rows_of_the_check(name, tmp_path):
    """Within what a frame at the end of what was heard can know; the take on disc is checked as any other."""
    x, rate_hz = soundfile.read(FIXTURES / f"{name}.wav")
    events, summary = watched(x, rate_hz=rate_hz, encoding="s24", keep=tmp_path / "take.wav")
    result = listen.check(tmp_path / "take.wav")
    assert summary.result is not None
    assert [(f.kind, f.half) for f in summary.result.findings] == [(f.kind, f.half) for f in result.findings]
    frames = result.frames
    row_of = {round(50 * t): i for i, t in enumerate(frames.time_s.tolist())}
    off: dict[str, list[float]] = {name: [] for name in ("cents", "db", "thd", "crest")}
    found, differ = readings(events), []
    assert len(found) > 15 * len(x) / rate_hz
    for reading in found:
        i = row_of[round(50 * reading.time_s)]
        if (reading.f0_hz is not None) != bool(frames.oscillating[i]):
            differ.append(reading.time_s)
        if reading.f0_hz is None or not frames.oscillating[i]:
            continue
        off["cents"].append(abs(1200 * np.log2(reading.f0_hz / frames.f0_hz[i])))
        off["db"].append(abs(reading.level_dbfs - frames.level_dbfs[i]))
        off["thd"].append(abs(reading.thd_percent - frames.thd_percent[i]))
        off["crest"].append(abs(reading.crest_positive - frames.crest_positive[i]))
    # whether a tone that begins is one already: a row or two
    assert len(differ) <= 3, differ
    high = {name: float(np.quantile(values, 0.95)) for name, values in off.items()}
    assert high["cents"] < 0.1
    assert high["db"] < 0.002
    assert high["thd"] < 0.01
    assert high["crest"] < 5e-4


def noise(seconds: float, level: float) -> np.ndarray:
    return level * np.random.default_rng(8).standard_normal(round(seconds * RATE_HZ))


def hum() -> np.ndarray:
    t = times(2.0)
    return 0.01 * np.sin(2 * np.pi * 50 * t) + 0.004 * np.sin(2 * np.pi * 150 * t) + noise(2.0, 1e-4)


def speech() -> np.ndarray:
    """Voiced pieces whose pitch slides and trembles, and hissing ones between them."""
    parts = []
    for i in range(8):
        t = times(0.18)
        pitch = 120.0 * (1.0 + 0.15 * np.sin(2 * np.pi * (2.2 * t + 0.13 * i)) + 0.05 * i / 8)
        phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
        voiced = sum(np.sin(k * phase) / k**1.2 for k in range(1, 25)) * np.hanning(len(t))
        parts += [0.1 * voiced, 0.03 * noise(0.07, 1.0) * np.hanning(round(0.07 * RATE_HZ))]
    return np.concatenate(parts)


@pytest.mark.parametrize(
    ("x", "states"),
    [
        (noise(2.0, 0.1), {"silent"}),
        (noise(2.0, 1e-5), {"silent"}),
        (np.zeros(2 * RATE_HZ), {"silent"}),
        (hum(), {"silent"}),
        (speech(), {"silent", "settling", "moving"}),
    ],
    ids=["hiss", "faint hiss", "zeros", "hum", "speech"],
)
def test_what_is_no_steady_tone_has_its_state(x, states):
    events, _ = watched(x)
    late = [reading.state for reading in readings(events) if reading.heard_s > 0.3]
    assert set(late) <= states


def test_states_follow_the_hand():
    """Silence, a tone, a slow turn, rest, a step: each state within 0.3 s of its cause."""
    rest = 2 * RATE_HZ
    f0_hz = np.concatenate(
        [np.full(rest, 220.0), 220.0 * 2 ** (np.arange(rest) / rest), np.full(rest, 440.0), np.full(rest, 466.16)]
    )
    tone = 0.3 * np.sin(2 * np.pi * np.cumsum(f0_hz) / RATE_HZ)
    x = np.concatenate([np.zeros(RATE_HZ), tone]) + noise(9.0, 1e-4)
    states = [(reading.heard_s, reading.state) for reading in readings(watched(x)[0])]

    def between(a: float, b: float) -> set[str]:
        return {state for heard_s, state in states if a < heard_s < b}

    assert between(0.3, 1.0) == {"silent"}
    assert between(1.1, 1.2) == {"settling"}
    assert between(1.3, 2.98) == {"steady"}
    assert between(3.3, 5.0) == {"moving"}
    assert between(5.3, 6.98) == {"steady"}
    assert "moving" in between(7.0, 7.3)
    assert between(7.3, 9.0) == {"steady"}


@pytest.mark.parametrize("top", [1.0, 0.7])
def test_a_clipped_interface_shows_no_distortion(top):
    """At full scale, and below it as behind a digital gain; before and after it the numbers are there."""
    t = times(3.0)
    level = np.where((t > 1.0) & (t < 2.0), 1.4 * top, 0.4 * top)
    x = np.clip(level * np.sin(2 * np.pi * 331.7 * t), -top, top * (1 - 2**-15))
    found = readings(watched(x, encoding="s16")[0])
    assert {r.state for r in found if 1.3 < r.heard_s < 2.0} == {"over"}
    assert all(r.thd_percent is None and r.crest_positive is None for r in found if r.state == "over")
    assert "over" not in {r.state for r in found if r.heard_s < 1.0 or r.heard_s > 2.35}


def test_a_loud_clean_tone_is_not_over():
    for f0_hz in (50.3, 440.0, 1000.0, 4000.0, 12_000.0):
        found = readings(watched(0.98 * np.sin(2 * np.pi * f0_hz * times(1.0)), encoding="s16")[0])
        assert "over" not in {r.state for r in found}, f0_hz


def test_low_notes_have_a_longer_window():
    x = 0.3 * np.sin(2 * np.pi * 20.6 * times(5.0)) + noise(5.0, 1e-5)
    found = [r for r in readings(watched(x)[0]) if r.heard_s > 2.0]
    assert {r.state for r in found} == {"steady"}
    assert max(abs(1200 * np.log2(r.f0_hz / 20.6)) for r in found) < 0.1


def test_cents_are_counted_from_the_note_that_is_asked_for():
    x = 0.3 * np.sin(2 * np.pi * 445.0 * times(1.0))
    found = readings(watched(x, note_hz=440.0)[0])
    assert found[-1].cents == pytest.approx(1200 * np.log2(445 / 440), abs=0.01)


def latencies(changed: np.ndarray, at_s: float, reached) -> float:
    """Time from a change to the first reading that shows all of it."""
    return next(r.heard_s for r in readings(watched(changed)[0]) if r.heard_s > at_s and reached(r)) - at_s


def test_a_step_shows_within_a_tenth_of_a_second():
    """Medians over places of the step; blocks of 10 ms."""
    t = times(1.6)
    level, second, note = [], [], []
    for at_s in np.arange(1.0, 1.05, 0.007):
        after = t > at_s
        tone = np.sin(2 * np.pi * 440 * t)
        level.append(latencies(np.where(after, 0.3, 0.15) * tone, at_s, lambda r: r.level_dbfs > -11.46))
        bent = 0.3 * (tone + np.where(after, 0.02, 0.005) * np.cos(2 * np.pi * 880 * t))
        second.append(latencies(bent, at_s, lambda r: abs(r.h2_dbc + 33.98) < 1.0))
        phase = 2 * np.pi * np.cumsum(np.where(after, 523.25, 440.0)) / RATE_HZ

        def new_note(r):
            return r.f0_hz is not None and abs(1200 * np.log2(r.f0_hz / 523.25)) < 5.0

        note.append(latencies(0.3 * np.sin(phase), at_s, new_note))
    assert np.median(level) < 0.1
    assert np.median(second) < 0.1
    assert np.median(note) < 0.2


@pytest.mark.parametrize(("db_a_second", "state"), [(0.0, "steady"), (0.6, "settling")])
def test_a_state_on_a_slow_machine_looks_back_as_far(monkeypatch, db_a_second, state):
    """Where measuring is dear a shorter window is looked at, less often: a slow growth is still no rest."""
    monkeypatch.setattr(engine, "_DEAR", 0.0)
    monkeypatch.setattr(engine, "_CHEAP", 0.0)
    t = times(3.0)
    events, _ = watched(0.2 * 10 ** (db_a_second * t / 20) * np.sin(2 * np.pi * 440 * t) + noise(3.0, 1e-5))
    late = [r for r in readings(events) if r.heard_s > 1.0]
    assert {r.state for r in late} == {state}
    assert len(late) >= 20
