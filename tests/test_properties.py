"""What must hold of any tone: gain, polarity, time reversal, how it is read, how it was sampled."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from listen.track import Frames, track
from tests.findings import takes
from tests.strategies import SECONDS, Tone, tones
from tests.tones import (
    RATE_HZ,
    Take,
    cents,
    check_of,
    exponential,
    frames_of,
    middle,
    smooth_turn,
    steady,
    sum_of,
    white,
)  # fmt: skip

few = settings(max_examples=4, phases=[Phase.explicit, Phase.generate])
PLAIN = Tone(low_hz=313.7, octaves=0.0, lines=(1.0, 0.03j), peak=0.4, noise_db=-70.0, seed=5)
SWEPT = Tone(low_hz=180.0, octaves=1.0, lines=(1.0, 0.05, 0.02j), peak=0.4, noise_db=-60.0, seed=6)

SINGLE = 1e-7
"""What is kept in single precision is known to this part of the tone: the signal on the grid, the residual."""


def ratios(db: np.ndarray) -> np.ndarray:
    """Levels as ratios."""
    out: np.ndarray = 10 ** (db / 20)
    return out


def assert_same(a: Frames, b: Frames, atol: float = 1e-9) -> None:
    """Every column of two tables, every row."""
    assert len(a) == len(b)
    for field in fields(Frames):
        one, other = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, np.ndarray):
            np.testing.assert_allclose(one, other, rtol=atol, atol=atol, err_msg=field.name)


@few
@given(tones(), st.floats(-30.0, 6.0))
@example(SWEPT, -23.0)
def test_gain_moves_levels_and_nothing_else(tone: Tone, gain_db: float) -> None:
    x = tone.samples()
    plain, scaled = frames_of(x), frames_of(x * 10 ** (gain_db / 20))
    rows = middle(plain) & middle(scaled)
    assert rows.sum() > 0.9 * middle(plain).sum()
    np.testing.assert_allclose(cents(scaled.f0_hz[rows], plain.f0_hz[rows]), 0.0, atol=1e-6)
    np.testing.assert_allclose(scaled.thd_percent[rows], plain.thd_percent[rows], rtol=1e-6, atol=100 * SINGLE)
    np.testing.assert_allclose(ratios(scaled.harmonics_dbc[rows]), ratios(plain.harmonics_dbc[rows]), atol=SINGLE)
    np.testing.assert_allclose(scaled.level_dbfs[rows] - plain.level_dbfs[rows], gain_db, atol=1e-6)
    np.testing.assert_allclose(scaled.crest_positive[rows], plain.crest_positive[rows], atol=1e-6)


@few
@given(tones())
@example(SWEPT)
def test_turned_over_the_halves_change_places_and_nothing_else_does(tone: Tone) -> None:
    x = tone.samples()
    plain, over = frames_of(x), frames_of(-x)
    np.testing.assert_array_equal(plain.oscillating, over.oscillating)
    rows = plain.oscillating
    np.testing.assert_allclose(cents(over.f0_hz[rows], plain.f0_hz[rows]), 0.0, atol=1e-6)
    # a cycle is drawn in single precision, 1e-7 of its crest; a flat part ends where it falls by 2.5e-3 from point to
    # point, and is 33 points long
    for one, other, atol in (("crest_positive", "crest_negative", 1e-6), ("flat_positive", "flat_negative", 4e-6)):
        np.testing.assert_allclose(getattr(over, one)[rows], getattr(plain, other)[rows], atol=atol)
        np.testing.assert_allclose(getattr(over, other)[rows], getattr(plain, one)[rows], atol=atol)
    for name in ("level_dbfs", "thd_percent", "slope_over_sine"):
        np.testing.assert_allclose(getattr(over, name)[rows], getattr(plain, name)[rows], rtol=1e-6, atol=1e-5)
    for name in ("even_dbc", "odd_dbc", "noise_dbfs"):
        one, other = ratios(getattr(over, name)[rows]), ratios(getattr(plain, name)[rows])
        np.testing.assert_allclose(one, other, rtol=1e-6, atol=SINGLE)


def test_turned_over_a_finding_names_the_other_half() -> None:
    x = takes.clipped(12.0)
    plain, over = check_of(x), check_of(-x)
    assert [(f.kind, f.severity) for f in plain.findings] == [(f.kind, f.severity) for f in over.findings]
    assert (plain.findings[0].half, over.findings[0].half) == ("positive", "negative")


@few
@given(tones(noise_db=(-80.0, -70.0)))
@example(SWEPT)
def test_played_backwards_the_pitch_runs_backwards(tone: Tone) -> None:
    x = tone.samples()
    # rows lie on whole multiples of 20 ms: sample n becomes sample N - n, so that they fall on each other
    forth = frames_of(x)
    back = frames_of(np.concatenate([x[:1], x[:0:-1]]))
    ends = round(SECONDS / 0.02)
    for i in np.flatnonzero(middle(forth)):
        j = ends - i
        assert back.oscillating[j]
        sigma = np.hypot(forth.f0_sigma_cents[i], back.f0_sigma_cents[j])
        # the samples of the two frames are the same, but for the noise's rounding into other frame edges
        assert abs(cents(forth.f0_hz[i], back.f0_hz[j])) < 2.0 * sigma + 2e-3


@few
@given(tones(), st.sampled_from([4_800, 10_007, 24_000]), st.sampled_from([1, 2, 3]))
@example(SWEPT, 4_800, 2)
@example(PLAIN, 10_007, 3)
def test_how_it_is_read_changes_no_row(tone: Tone, chunk_samples: int, workers: int) -> None:
    """Parts of any size, read by any number of threads."""
    x = np.concatenate([np.zeros(3000), tone.samples(), np.zeros(2000)])
    assert_read_alike(frames_of(x, workers=1), track(Take(samples=x), chunk_samples=chunk_samples, workers=workers))


def assert_read_alike(whole: Frames, chunked: Frames) -> None:
    """All but the phases of half orders: a chunk may count a cycle more than the next."""
    for name in ("oscillating", "segment", "harmonic_count"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(chunked, name))
    for name in ("f0_hz", "level_dbfs", "fundamental_dbfs", "frame_s", "dc_fs", "thd_percent", "crest_positive"):
        np.testing.assert_allclose(getattr(chunked, name), getattr(whole, name), rtol=1e-9, atol=1e-9, err_msg=name)
    np.testing.assert_allclose(ratios(chunked.harmonics_dbc), ratios(whole.harmonics_dbc), atol=1e-9)
    # the same sums of the same numbers, but for a last bit of single precision where a chunk counts a cycle more
    for name in ("noise_dbfs", "residual_dbc", "residual_peak_dbc", "subharmonic_dbc", "spur_dbc", "high_dbc"):
        one, other = ratios(getattr(chunked, name)), ratios(getattr(whole, name))
        np.testing.assert_allclose(one, other, rtol=1e-6, atol=0.1 * SINGLE, err_msg=name)
    np.testing.assert_allclose(chunked.residual_fold, whole.residual_fold, rtol=1e-5, atol=0.1 * SINGLE**2)


DRIFT = 0.05 * np.cos(2 * np.pi * 0.7 * np.arange(round(5 * RATE_HZ)) / RATE_HZ)
LONG = {
    "a low note on a drift": (exponential(12.5, 60.0, 5.0), (1.0, 0.1, 0.05), DRIFT),
    "a sweep on a drift": (exponential(200.0, 3000.0, 5.0), (1.0, 0.1, 0.05), DRIFT),
    "a weak fundamental": (exponential(100.0, 330.0, 5.0), (0.1, 0.0, 1.0), 0.0),
    "another tone's partial": (steady(220.0, 5.0), (1.0,), 0.1 * np.cos(2 * np.pi * steady(440.44, 5.0))),
    "another tone": (steady(220.0, 5.0), (1.0,), 0.1 * np.cos(2 * np.pi * steady(331.0, 5.0))),
    "hum": (steady(330.0, 5.0), (1.0, 0.1), 0.05 * np.cos(2 * np.pi * steady(50.0, 5.0))),
    "a step of the offset": (steady(330.0, 5.0), (1.0, 0.1), 0.3 * (np.arange(len(DRIFT)) > 95_000)),
}


@pytest.mark.parametrize("chunk_samples", [20_011, 96_000])
@pytest.mark.parametrize("name", list(LONG))
def test_where_a_chunk_ends_changes_no_row(name: str, chunk_samples: int) -> None:
    """Much longer than the rows that a row hangs on."""
    phase, lines, more = LONG[name]
    x = 0.3 * sum_of(phase, lines, 1000.0) + more + white(len(phase), -80.0, 7)
    whole, chunked = frames_of(x, chunk_samples=2**22), frames_of(x, chunk_samples=chunk_samples)
    assert_read_alike(whole, chunked)
    np.testing.assert_allclose(chunked.hum_dbfs, whole.hum_dbfs, atol=1e-6)


def test_threads_change_no_column() -> None:
    """Where an array begins in memory may change a sum's last bit, nothing more."""
    x = np.concatenate([takes.clipped(12.0), takes.sine()])
    assert_same(frames_of(x, workers=1, chunk_samples=50_000), frames_of(x, workers=3, chunk_samples=50_000))


@few
@given(tones(swept=False), st.floats(0.05, 0.4), st.floats(0.05, 0.4))
@example(PLAIN, 0.2, 0.2)
def test_silence_before_and_after_adds_only_empty_rows(tone: Tone, before_s: float, after_s: float) -> None:
    x = tone.samples()
    hops = round(before_s / 0.02)
    lead, tail = np.zeros(round(hops * 0.02 * RATE_HZ)), np.zeros(round(after_s * RATE_HZ))
    plain, longer = frames_of(x), frames_of(np.concatenate([lead, x, tail]))
    start = hops + len(plain)
    assert not longer.oscillating[: hops - 1].any()
    assert not longer.oscillating[start + 2 :].any()
    rows = np.flatnonzero(middle(plain))
    assert longer.oscillating[rows + hops].all()
    # where the knots of the phase fall differs by a fraction of one: some thousandths of the noise
    error = np.abs(cents(longer.f0_hz[rows + hops], plain.f0_hz[rows]))
    assert np.all(error < 0.1 * plain.f0_sigma_cents[rows] + 1e-4)


@few
@given(tones(swept=False, noise_db=(-80.0, -70.0)))
@example(PLAIN)
def test_twice_the_rate_reads_the_same(tone: Tone) -> None:
    once, twice = frames_of(tone.samples()), frames_of(tone.samples(2 * RATE_HZ), 2 * RATE_HZ)
    a, b = middle(once), middle(twice)
    # other samples, other noise: medians of some 15 frames scatter by a third of one frame's sigma each
    sigma = float(np.median(once.f0_sigma_cents[a]))
    assert abs(cents(np.median(once.f0_hz[a]), np.median(twice.f0_hz[b]))) < 2.0 * sigma
    assert abs(np.median(once.level_dbfs[a]) - np.median(twice.level_dbfs[b])) < 0.01
    for k, line in enumerate(tone.lines[1:], start=2):
        if abs(line) > 10 ** ((tone.noise_db + 20) / 20):
            got = np.median(once.harmonics_dbc[a, k - 2]), np.median(twice.harmonics_dbc[b, k - 2])
            assert abs(got[0] - got[1]) < 0.3


def test_twice_the_rate_gives_the_same_findings() -> None:
    found = []
    for rate_hz in (48_000.0, 96_000.0):
        phase, _ = smooth_turn(180.0, 900.0, 1.6, rate_hz, 0.8)
        x = 0.4 * np.minimum(np.cos(2 * np.pi * phase), 0.86)
        result = check_of(x + white(len(x), -90.0, 81), rate_hz)
        found.append([(f.kind, f.severity, f.half) for f in result.findings if f.severity != "note"])
    assert found[0] == found[1] == [("asymmetric-clipping", "fault", "positive")]


@few
@given(tones(swept=False, noise_db=(-90.0, -80.0)))
@example(PLAIN)
def test_harmonics_rebuild_the_mean_cycle(tone: Tone) -> None:
    """H1, H2.. and their phases give the extremes that the crests state."""
    frames = frames_of(tone.samples())
    v = np.arange(4096) / 4096
    for i in np.flatnonzero(middle(frames))[::5]:
        cycle = np.cos(2 * np.pi * v)
        for k in range(2, 11):
            if np.isfinite(frames.harmonics_dbc[i, k - 2]):
                size = 10 ** (frames.harmonics_dbc[i, k - 2] / 20)
                cycle = cycle + size * np.cos(2 * np.pi * k * v + frames.harmonic_phase_rad[i, k - 2])
        # lines that are noise are left out of the crests: at most ten of them, each 3 sigma of one line or less
        line = 10 ** ((frames.noise_dbfs[i] - frames.fundamental_dbfs[i]) / 20) * np.sqrt(
            3 / (frames.frame_s[i] * RATE_HZ)
        )
        assert abs(cycle.max() - frames.crest_positive[i]) < 10 * 3 * line + 2e-4
        assert abs(-cycle.min() - frames.crest_negative[i]) < 10 * 3 * line + 2e-4


def test_sigma_covers() -> None:
    """Errors over their stated sigma: 68 % within one, 95 % within two; 12 points are left for what is not white."""
    x = 0.4 * np.cos(2 * np.pi * steady(331.7, 20.0)) + white(round(20.0 * RATE_HZ), -50.0, 82)
    frames = frames_of(x)
    rows = np.flatnonzero(middle(frames))[::3]
    score = np.abs(cents(frames.f0_hz[rows], 331.7)) / frames.f0_sigma_cents[rows]
    assert 0.56 < np.mean(score < 1.0) < 0.80
    assert 0.83 < np.mean(score < 2.0)


@few
@given(tones(noise_db=(-75.0, -55.0)))
@example(SWEPT)
def test_pitch_is_right_within_its_sigma(tone: Tone) -> None:
    frames = frames_of(tone.samples())
    rows = middle(frames)
    assert rows.sum() >= 10
    error = np.abs(cents(frames.f0_hz[rows], tone.f0_hz(frames.time_s[rows])))
    # six sigma, and what the curvature of a sweep of an octave in 0.6 s leaves
    assert np.all(error < 6.0 * frames.f0_sigma_cents[rows] + 0.02)
