"""Segments of rows over a limit, their candidates, and what is taken of their values, against counts by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.shape import FEWEST_CYCLES
from listen.findings import measured
from listen.findings.threshold_segments import (
    around,
    candidate_of,
    flattest_rows,
    line_ratio,
    onset_and_thd,
    orders_of,
    segments_over_limit,
    short_median,
    spans,
    whole_frames,
    worst_of,
)
from tests.accounts import ROW_S, plain_frames

OFFSET = measured.Offset(dc_fs=0.1)


def flagged(n: int, *ranges: tuple[int, int]) -> np.ndarray:
    out = np.zeros(n, dtype=bool)
    for first, stop in ranges:
        out[first:stop] = True
    return out


def found(
    values: np.ndarray, known: np.ndarray | None = None, n: int = 200, **columns: object
) -> list[tuple[int, int]]:
    frames = plain_frames(n, **columns)
    every = np.ones(n, dtype=bool) if known is None else known
    rows = [np.flatnonzero(one) for one in segments_over_limit(frames, values, every, 1.0)]
    return [(int(one[0]), int(one[-1]) + 1) for one in rows]


@pytest.mark.parametrize(("gap", "parts"), [(1, 1), (14, 1), (16, 2), (21, 2)])
def test_three_tenths_of_a_second_under_the_limit_part_two_segments(gap: int, parts: int) -> None:
    """Rows of 20 ms: 15 of them are 0.3 s."""
    values = flagged(200, (20, 60), (60 + gap, 120)).astype(float)
    whole = [(20, 120)] if parts == 1 else [(20, 60), (60 + gap, 120)]
    assert found(values) == whole
    # what could not be measured ends nothing
    known = ~flagged(200, (60, 60 + gap))
    assert found(values, known) == [(20, 120)]


@pytest.mark.parametrize(("rows", "told"), [(2, False), (4, False), (6, True), (7, True)])
def test_less_than_a_tenth_of_a_second_over_the_limit_is_nothing(rows: int, told: bool) -> None:
    assert found(flagged(200, (50, 50 + rows)).astype(float)) == ([(50, 50 + rows)] if told else [])


def test_a_value_at_its_limit_is_over_it() -> None:
    assert found(np.where(flagged(200, (30, 60)), 1.0, 0.999)) == [(30, 60)]
    assert found(np.full(200, 2.0), flagged(200, (30, 60))) == [(30, 60)]
    rows = next(
        segments_over_limit(plain_frames(200), flagged(200, (20, 30), (34, 50)).astype(float), rows_of(200), 1.0)
    )
    np.testing.assert_array_equal(rows, flagged(200, (20, 30), (34, 50)))


def rows_of(n: int) -> np.ndarray:
    return np.ones(n, dtype=bool)


def test_both_times_are_three_rows_at_the_least() -> None:
    """Rows of 0.2 s: gaps of up to three are bridged, and fewer than three rows are none."""
    time_s = 0.2 * np.arange(60)
    for rows, told in ((2, False), (3, True), (4, True)):
        assert bool(spans(flagged(60, (10, 10 + rows)), rows_of(60), time_s, 0.3, 0.1)) == told
    for gap, parts in ((3, 1), (4, 2), (5, 2)):
        flags = flagged(60, (10, 20), (20 + gap, 40))
        out = spans(flags, rows_of(60), time_s, 0.3, 0.1)
        assert [(s.first, s.last) for s in out] == ([(10, 39)] if parts == 1 else [(10, 19), (20 + gap, 39)])
    assert spans(flagged(60), rows_of(60), time_s, 0.3, 0.1) == []
    # of one row nothing is known of the distance to the next: a row is 20 ms
    assert spans(rows_of(1), rows_of(1), np.zeros(1), 0.3, 0.01) == []


def test_a_short_median_stays_within_its_segment() -> None:
    """Against the plain definition, row by row; NaN where the row itself is not known."""
    rng = np.random.default_rng(2)
    values, segment = rng.standard_normal(60), np.repeat([0, 1, 2, 3], [20, 3, 17, 20])
    values[rng.random(60) < 0.2] = np.nan
    for width in (3, 5, 7):
        out = short_median(values, segment, width)
        for i in range(60):
            near = [j for j in range(i - width // 2, i + width // 2 + 1) if 0 <= j < 60 and segment[j] == segment[i]]
            want = np.nanmedian(values[near]) if np.isfinite(values[i]) else np.nan
            assert out[i] == pytest.approx(want, nan_ok=True)


def test_a_line_over_the_fundamental_is_free_of_single_rows() -> None:
    dbc = np.full((30, 9), -90.0)
    dbc[:, 1], dbc[14, 1] = -40.0, -6.0
    frames = plain_frames(30, harmonics_dbc=dbc)
    assert line_ratio(frames, 3) == pytest.approx(np.full(30, 0.01))
    assert line_ratio(frames, 2) == pytest.approx(np.full(30, 10**-4.5))


def test_harmonics_that_fit_below_the_band_limit() -> None:
    """0.45 of the rate: of 48 kHz 21.6 kHz."""
    pitch = np.array([440.0, 7_100.0, 7_300.0, 22_000.0, 440.0])
    frames = plain_frames(5, f0_hz=pitch, oscillating=np.array([True] * 4 + [False]))
    assert orders_of(frames).tolist() == [49, 3, 2, 0, 0]


def test_frames_of_few_cycles_have_no_shape() -> None:
    cycles = FEWEST_CYCLES * np.array([0.9, 0.99, 1.01, 2.0, 2.0])
    frames = plain_frames(5, f0_hz=500.0, frame_s=cycles / 500.0, oscillating=np.array([True] * 4 + [False]))
    assert whole_frames(frames).tolist() == [False, False, True, True, False]


def test_the_worst_is_all_but_a_twentieth() -> None:
    values = np.arange(101.0)
    assert worst_of(values, rows_of(101)) == pytest.approx(95.0)
    frames = plain_frames(101, f0_hz=np.where(values < 50, 300.0, 400.0), thd_percent=values)
    numbers = onset_and_thd(frames, values >= 1)
    assert numbers == {"onset_f0_hz": 300.0, "thd_worst_percent": pytest.approx(98.02)}
    assert onset_and_thd(frames, values >= 60)["onset_f0_hz"] == 400.0


def test_a_candidate_spans_its_rows_and_half_a_row_at_both_ends() -> None:
    pitch = np.linspace(200.0, 299.0, 100)
    frames = plain_frames(100, f0_hz=pitch)
    frames = replace(frames, f0_hz=np.where(np.arange(100) == 30, np.nan, pitch))
    every = frames.row_every_s
    one = candidate_of(frames, flagged(100, (30, 60)), "capture-offset", "note", OFFSET)
    assert (one.start_s, one.end_s) == pytest.approx((31 * ROW_S - every / 2, 60 * ROW_S + every / 2))
    assert (one.f0_low_hz, one.f0_high_hz) == (231.0, 259.0)
    np.testing.assert_array_equal(one.rows, np.arange(30, 60))
    # 50 ms to either side, of rows of 20 ms with half a row between: three more
    near = around(one, frames)
    times = frames.time_s[near]
    assert times[0] >= one.start_s - 0.05 > times[0] - ROW_S
    assert times[-1] <= one.end_s + 0.05 < times[-1] + ROW_S
    assert (near.start, near.stop) == (27, 63)
    lone = candidate_of(frames, flagged(100, (30, 31)), "capture-offset", "note", OFFSET)
    assert lone.f0_low_hz is None
    assert lone.f0_high_hz is None


def test_a_candidate_does_not_begin_before_the_take() -> None:
    frames = plain_frames(20)
    early = replace(frames, time_s=frames.time_s - frames.time_s[0])
    assert candidate_of(early, flagged(20, (0, 9)), "capture-offset", "note", OFFSET).start_s == 0.0


def test_the_rows_of_the_greatest_loss_are_those_over_six_tenths_of_the_worst() -> None:
    values = np.concatenate([np.full(20, 10.0), np.full(10, 6.5), np.full(10, 5.5), np.zeros(10)])
    share = np.where(np.arange(50) % 2, np.nan, 1.0)
    rows = flagged(50, (2, 48))
    expected = rows & (np.arange(50) < 30) & (np.arange(50) % 2 == 0)
    np.testing.assert_array_equal(flattest_rows(share, values, rows), expected)
