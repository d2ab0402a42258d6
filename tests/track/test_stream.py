"""The newest rows of a stream are those of the whole take, and little is measured for them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from listen.bench import RecorderSettings
from listen.track import Frames, StreamTracker, stream, track, without_hidden_harmonics
from listen.track.pitch_estimate import coarse_chunk, coarse_margin, hop_samples
from tests.tones import Take, cents, times

RATE_HZ = 48_000
NAMES = ("f0_hz", "f0_sigma_cents", "level_dbfs", "thd_percent", "harmonics_dbc", "crest_positive", "crest_negative")


def noise(seconds: float, level: float, seed: int = 3) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def turned(seconds: float) -> np.ndarray:
    """A clipped sine that rests, and is turned up by an octave a second."""
    t = times(seconds)
    octaves = np.clip(t - 1.0, 0.0, 1.0)
    phase = 2 * np.pi * np.cumsum(220.0 * 2.0**octaves) / RATE_HZ
    return 0.3 * (np.minimum(np.sin(phase), 0.9) - 0.05) + noise(seconds, 1e-4)


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordedTake(Take):
    """A take whose recorder is known."""

    recorder: RecorderSettings | None = None


def stepped(x: np.ndarray, **options) -> dict[str, list[tuple[float, ...]]]:
    """Rows that stand 0.05 to 0.2 s before the end of what has come, every 0.05 s: stream beside the whole take."""
    whole = track(Take(samples=x, **options), workers=1)
    tracker = StreamTracker(RATE_HZ)
    off: dict[str, list[tuple[float, ...]]] = {name: [] for name in (*NAMES, "oscillating")}
    for stop in range(RATE_HZ // 2, len(x), RATE_HZ // 20):
        rows = tracker.newest(Take(samples=x[:stop], **options), stop - RATE_HZ, stop - round(0.36 * RATE_HZ))
        assert rows.time_s[0] >= stop / RATE_HZ - 0.361
        assert stop / RATE_HZ - rows.time_s[-1] < 0.0201
        for i in np.flatnonzero((rows.time_s < stop / RATE_HZ - 0.05) & (rows.time_s > stop / RATE_HZ - 0.2)):
            k = round(50 * float(rows.time_s[i]))
            for name, pairs in off.items():
                pairs.append((getattr(rows, name)[i], getattr(whole, name)[k]))
    return off


@pytest.mark.parametrize("corner_hz", [None, 20.0])
def test_newest_rows_are_those_of_the_take(corner_hz):
    off = stepped(turned(3.0), ac_coupling_hz=corner_hz)
    assert all(a == b for a, b in off["oscillating"])
    allowed = {"f0_hz": 2e-4, "level_dbfs": 1e-5, "thd_percent": 1e-4, "crest_positive": 5e-6, "crest_negative": 5e-6}
    for name, most in allowed.items():
        a, b = np.array(off[name]).T
        assert len(a) > 250
        assert np.quantile(np.abs(a - b), 0.95) < most, name
        assert np.isfinite(a).all()
    a, b = np.array([(x[:2], y[:2]) for x, y in off["harmonics_dbc"]]).swapaxes(0, 1)
    assert np.quantile(np.abs(a - b), 0.95) < 1e-3
    a, b = np.array(off["f0_sigma_cents"]).T
    assert np.quantile(np.abs(np.log(a / b)), 0.95) < 0.02


def test_hops_whose_samples_have_come_are_measured_once(monkeypatch):
    counts: list[int] = []
    measure = stream.coarse_chunk

    def counted(x, rate_hz, n_hops):
        counts.append(n_hops)
        return measure(x, rate_hz, n_hops)

    monkeypatch.setattr(stream, "coarse_chunk", counted)
    x = turned(6.0)
    tracker = StreamTracker(RATE_HZ)
    for stop in range(RATE_HZ // 20, len(x), RATE_HZ // 20):
        tracker.newest(Take(samples=x[:stop]), max(0, stop - RATE_HZ), stop - RATE_HZ // 3)
    # 0.15 s before the end, and 0.05 s that came
    assert max(counts) <= 6
    # a longer window, and one after a long pause, find all that they look at
    tracker.newest(Take(samples=x), len(x) - 2 * RATE_HZ, len(x) - RATE_HZ // 3)
    late = StreamTracker(RATE_HZ)
    for stop in (RATE_HZ, 5 * RATE_HZ, 6 * RATE_HZ):
        rows = late.newest(Take(samples=x[:stop]), stop - RATE_HZ, stop - RATE_HZ // 2)
        assert rows.oscillating[:-3].all()
        expected = 440.0 if stop > RATE_HZ else 220.0
        assert np.max(np.abs(cents(rows.f0_hz[1:-3], expected))) < 0.1


def test_kept_hops_are_those_of_the_whole_take():
    x = turned(3.0)
    tracker = StreamTracker(RATE_HZ)
    for stop in range(RATE_HZ // 20, len(x), RATE_HZ // 20):
        tracker.newest(Take(samples=x[:stop]), max(0, stop - RATE_HZ), stop - RATE_HZ // 3)
    margin, count = coarse_margin(RATE_HZ), len(tracker._coarse)
    padded = np.concatenate([np.zeros(margin), x, np.zeros(margin)])
    whole = coarse_chunk(padded[: 2 * margin + (count - 1) * hop_samples(RATE_HZ) + 1], RATE_HZ, count)
    assert count > 65
    np.testing.assert_allclose(tracker._coarse, whole, rtol=1e-4, atol=1e-6)


def test_noise_is_not_measured_as_a_tone_would_be(monkeypatch):
    """Hiss has false tones in every window; nearly none of them comes to be measured, and none is left as a row."""
    measured: list[int] = []
    measure = stream.measure_chunk
    monkeypatch.setattr(stream, "measure_chunk", lambda *a: measured.append(len(a[4])) or measure(*a))
    found: list[int] = []
    search = stream.find_segments
    monkeypatch.setattr(stream, "find_segments", lambda *a: found.append(len(s := search(*a))) or s)
    x = noise(6.0, 0.1)
    tracker = StreamTracker(RATE_HZ)
    for stop in range(RATE_HZ, len(x), RATE_HZ // 20):
        rows = tracker.newest(Take(samples=x[:stop]), stop - RATE_HZ // 2, stop - RATE_HZ // 3)
        assert not rows.oscillating.any()
    assert sum(found) > 100
    assert sum(measured) < 0.05 * sum(found)


@pytest.mark.parametrize("f0_hz", [33.0, 440.0, 5000.0])
@pytest.mark.parametrize("shape", ["sine", "sawtooth", "pulse"])
def test_a_tone_in_noise_that_begins_is_measured(f0_hz, shape):
    """As noisy as a row may be: the cheap question keeps all rows that the take itself has."""
    t = times(1.5)
    phase = f0_hz * t % 1.0
    wave = {"sine": np.sin(2 * np.pi * phase), "sawtooth": 2 * phase - 1, "pulse": np.where(phase < 0.2, 1.6, -0.4)}[
        shape
    ]
    wave = np.where(t > 0.7, wave, 0.0)
    x = 0.2 * wave + noise(1.5, 0.2 * 0.3 * float(np.std(wave[RATE_HZ:])))
    rows = StreamTracker(RATE_HZ).newest(Take(samples=x), RATE_HZ // 2, RATE_HZ)
    whole = track(Take(samples=x), workers=1).oscillating[50:]
    assert np.count_nonzero(whole[:-4]) > 15
    np.testing.assert_array_equal(rows.oscillating[:-4], whole[:-4])


def test_the_recorder_s_own_harmonics_are_empty():
    recorder = RecorderSettings(level_dbfs=(-30.0, -6.0), harmonics_dbc={2: (-40.0, -40.0), 3: (-90.0, -90.0)})
    t = times(2.0)
    x = 0.3 * np.sin(2 * np.pi * 440 * t) + 0.003 * np.cos(2 * np.pi * 880 * t) + 0.001 * np.cos(2 * np.pi * 1320 * t)
    rows = StreamTracker(RATE_HZ).newest(Take(samples=x), RATE_HZ, 2 * RATE_HZ - 20_000, recorder)
    assert isinstance(rows, Frames)
    whole = without_hidden_harmonics(track(Take(samples=x), workers=1), recorder)
    for column in (0, 1):
        np.testing.assert_allclose(
            rows.harmonics_dbc[2:-4, column], whole.harmonics_dbc[-len(rows) + 2 : -4, column], atol=1e-3
        )
    assert np.isnan(rows.harmonics_dbc[2:-4, 0]).all()
    assert np.isfinite(rows.harmonics_dbc[2:-4, 1]).all()
