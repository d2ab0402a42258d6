"""Long takes keep fewer rows, and lose nothing that a row or a short frame showed."""

from __future__ import annotations

import itertools
from dataclasses import fields
from functools import partial

import numpy as np
import pytest

from listen.track import Frames, track, tracker
from listen.track.pitch_estimate import CoarseTrack
from listen.track.table import FrameTable
from tests.tones import Take, smooth_turn, steady


def _tracked(x: np.ndarray, most: int, monkeypatch: pytest.MonkeyPatch) -> Frames:
    with monkeypatch.context() as patch:
        patch.setattr(tracker, "FrameTable", partial(FrameTable, most=most))
        return track(Take(samples=x), workers=1, chunk_samples=50_000)


def _take() -> np.ndarray:
    swept, rest = smooth_turn(200.0, 900.0, 4.0)[0], steady(400.0, 1.0)
    tones = [0.3 * np.cos(2 * np.pi * phase) for phase in (swept, rest)]
    x = np.concatenate([np.zeros(7_000), tones[0], np.zeros(9_000), tones[1]])
    return x + 1e-5 * np.random.default_rng(3).standard_normal(len(x))


@pytest.mark.parametrize("most", [150, 70])
def test_the_rows_that_are_kept_are_those_of_the_whole_table(most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    x = _take()
    whole = track(Take(samples=x), workers=1, chunk_samples=50_000)
    fewer = _tracked(x, most, monkeypatch)
    every = -(-len(whole) // most)
    assert every >= 2
    assert len(fewer) == -(-len(whole) // every)
    assert fewer.row_every_s == pytest.approx(0.02 * every)
    np.testing.assert_allclose(fewer.time_s, whole.time_s[::every], atol=1e-12)
    for field in fields(whole):
        one, other = getattr(fewer, field.name), getattr(whole, field.name)
        if isinstance(one, np.ndarray) and not field.name.startswith("hum_"):
            np.testing.assert_array_equal(one, other[::every], err_msg=field.name)
    np.testing.assert_array_equal(fewer.hum_dbfs, whole.hum_dbfs)


def test_a_short_dropout_stays_in_the_thinned_envelope(monkeypatch: pytest.MonkeyPatch) -> None:
    x = 0.4 * np.cos(2 * np.pi * steady(440.0, 5.0))
    x[96_000:96_960] *= 0.1
    fewer = _tracked(x, 40, monkeypatch)
    envelope = fewer.envelope
    inside = (envelope.time_s > 1.99) & (envelope.time_s < 2.03) & envelope.oscillating
    assert envelope.amplitude_fs[inside].min() < 0.1
    clear = envelope.oscillating & ((envelope.time_s < 1.9) | (envelope.time_s > 2.1))
    np.testing.assert_allclose(envelope.amplitude_fs[clear], 0.4, rtol=1e-3)
    whole = track(Take(samples=x), workers=1)
    assert len(envelope.time_s) < len(whole.envelope.time_s) / 5


def lengths(samples: int, work: np.ndarray | None = None) -> list[int]:
    bounds = tracker._bounds(0, samples, tracker.CHUNK_SAMPLES, 48, np.ones(50) if work is None else work)
    if bounds:
        assert bounds[0][0] == 0
        assert bounds[-1][1] == samples
    assert all(a[1] == b[0] for a, b in itertools.pairwise(bounds))
    return [b - a for a, b in bounds]


@pytest.mark.parametrize("samples", [960_000, 2_880_000, 20_000_000])
def test_parts_are_of_equal_work_and_none_is_too_long(samples: int) -> None:
    work = np.concatenate([np.full(3000, 1.5), np.linspace(1.5, 1.0, 2000), np.ones(5000)])
    found = lengths(samples, work)
    assert max(found) <= tracker.CHUNK_SAMPLES + 48
    done = np.interp(np.cumsum([0, *found]) / samples, np.linspace(0, 1, len(work) + 1), [0.0, *np.cumsum(work)])
    np.testing.assert_allclose(np.diff(done), done[-1] / len(found), rtol=1e-3)
    assert found[0] < 0.8 * found[-1]


def test_low_notes_are_more_work_and_silence_is_the_least() -> None:
    f0_hz = np.array([0.0, 5000.0, 200.0, 100.0, 50.0, 20.0])
    none = np.zeros(6)
    coarse = CoarseTrack(
        hop_samples=1920, first_sample=0, f0_hz=f0_hz, normalised_difference=none, power=none, strongest_hz=f0_hz
    )
    work = tracker._work(coarse)
    assert work[0] == work[1] == work[3] == 1.0 < work[4] < work[5]
    assert work[5] == tracker._MOST_WORK


def test_parts_are_even_in_number_unless_one_is_short_enough() -> None:
    assert lengths(0) == []
    assert lengths(20) == [20]
    assert lengths(200_000) == [200_000]
    assert lengths(480_000) == [240_000, 240_000]
    assert len(lengths(2_880_000)) == 4
    assert max(lengths(20_000_000)) <= tracker.CHUNK_SAMPLES + 48
