"""What is taken for an oscillator, each limit just passed and just not, and two tones: on frames and sums of sines."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from listen.account.oscillator import SourceClass, _is_one_series, _two_series, classify_source, two_tones
from tests.accounts import plain_frames, tone_of
from tests.tones import Take, white

CLEAN, UNCLEAN = -40.0, -8.0


def source_of(n: int, own: np.ndarray | None = None, *, sine: bool = True, **columns: Any) -> str:
    """Class of some frames, of which some rows are the board's."""
    frames = plain_frames(n, **columns)
    tone = replace(tone_of(frames), rows=frames.oscillating if own is None else own)
    return classify_source(frames, tone, np.zeros(n), sine=sine).source


def partly_clean(n: int, clean: int, rest_level_dbfs: float = -12.0, residual_dbc: float = CLEAN) -> str:
    """The first rows are a clean tone, the rest some other sound."""
    own = np.arange(n) < clean
    return source_of(
        n, own, residual_dbc=np.where(own, residual_dbc, UNCLEAN), level_dbfs=np.where(own, -12.0, rest_level_dbfs)
    )


@pytest.mark.parametrize(("under_db", "source"), [(25.0, "not-an-oscillator"), (27.0, "oscillator")])
def test_what_lies_a_twentieth_under_the_loudest_is_silence(under_db: float, source: str) -> None:
    assert partly_clean(100, 45, -12.0 - under_db) == source


@pytest.mark.parametrize(
    ("n", "clean", "source"),
    [
        (100, 59, "not-an-oscillator"),
        (100, 61, "oscillator"),
        (200, 74, "not-an-oscillator"),
        (200, 76, "oscillator"),
        (320, 79, "not-an-oscillator"),
        (320, 81, "oscillator"),
        (60, 34, "not-an-oscillator"),
    ],
    ids=["0.59 of it", "0.61 of it", "1.48 s", "1.52 s", "under a quarter", "over a quarter", "0.7 s"],
)
def test_how_much_of_a_take_must_be_a_clean_tone(n: int, clean: int, source: str) -> None:
    """Six tenths; or 1.5 s that are a quarter of it."""
    assert partly_clean(n, clean) == source


@pytest.mark.parametrize(
    ("clean", "residual_dbc", "source"),
    [
        (94, -18.5, "oscillator"),
        (94, -17.5, "not-an-oscillator"),
        (96, -17.5, "not-an-oscillator"),
        (98, -17.5, "oscillator"),
        (98, -12.5, "not-an-oscillator"),
    ],
)
def test_an_impure_tone_must_be_all_of_the_sound(clean: int, residual_dbc: float, source: str) -> None:
    assert partly_clean(100, clean, residual_dbc=residual_dbc) == source


@pytest.mark.parametrize(("impure", "source"), [(14, "oscillator"), (26, "not-an-oscillator")])
def test_four_of_five_rows_of_the_tone_are_pure(impure: int, source: str) -> None:
    """Six rows are another sound's; of the tone's own 94 some leave -16 dBc."""
    row = np.arange(100)
    residual_dbc = np.where(row < 94, np.where(row < impure, -16.0, CLEAN), UNCLEAN)
    assert source_of(100, row < 94, residual_dbc=residual_dbc) == source


@pytest.mark.parametrize(
    ("over_db", "rows", "source"),
    [
        (0.9, 100, "oscillator"),
        (1.1, 100, "not-an-oscillator"),
        (1.1, 39, "oscillator"),
        (1.1, 41, "not-an-oscillator"),
    ],
)
def test_the_fundamental_is_the_strongest_line(over_db: float, rows: int, source: str) -> None:
    harmonics_dbc = np.array(plain_frames(100).harmonics_dbc)
    harmonics_dbc[:rows, 3] = over_db
    assert source_of(100, harmonics_dbc=harmonics_dbc) == source


@pytest.mark.parametrize(("f0_hz", "source"), [(29.0, "absent"), (31.0, "oscillator")])
def test_ten_cycles_are_an_oscillation(f0_hz: float, source: str) -> None:
    """Ten rows of 20 ms, and the cycles of the frames at both ends."""
    assert source_of(10, f0_hz=f0_hz) == source
    assert source_of(10, np.zeros(10, dtype=bool), f0_hz=f0_hz, oscillating=np.zeros(10, dtype=bool)) == "absent"


def test_of_what_is_absent_nothing_is_clean() -> None:
    """Too few cycles, hum, and no tone at all; rows whose residual is not known are none of a clean tone."""
    few, hum = plain_frames(5, f0_hz=30.0), plain_frames(200, f0_hz=50.0, thd_percent=20.0)
    for frames, tone in ((few, tone_of(few)), (hum, tone_of(hum)), (few, None)):
        found = classify_source(frames, tone, np.zeros(len(frames)))
        assert (found.source, found.clean_share, found.residual_dbc) == ("absent", 0.0, 0.0)
    unknown = plain_frames(100, residual_dbc=np.where(np.arange(100) < 30, CLEAN, np.nan))
    found = classify_source(unknown, tone_of(unknown), np.zeros(100))
    assert (found.source, found.clean_share, found.residual_dbc) == ("not-an-oscillator", pytest.approx(0.3), 0.0)


@pytest.mark.parametrize(
    ("changes", "source"),
    [
        ({}, "absent"),
        ({"f0_hz": 50.19}, "absent"),
        ({"f0_hz": 50.21}, "oscillator"),
        ({"f0_hz": 59.77}, "absent"),
        ({"f0_hz": 59.75}, "oscillator"),
        ({"thd_percent": 9.9}, "oscillator"),
        ({"thd_percent": 10.1}, "absent"),
        ({"f0_hz": np.linspace(49.9455, 50.0545, 200)}, "absent"),
        ({"f0_hz": np.linspace(49.9435, 50.0565, 200)}, "oscillator"),
        ({"oscillating": np.arange(200) < 192}, "absent"),
        ({"oscillating": np.arange(200) < 188}, "oscillator"),
    ],
)
def test_hum_keeps_within_what_grids_do_from_end_to_end(changes: dict[str, Any], source: str) -> None:
    """0.4 % off; a tenth of a hertz between the outer twentieths; 95 of 100 rows."""
    assert source_of(200, **({"f0_hz": 50.0, "thd_percent": 20.0} | changes)) == source


def is_played(rows: np.ndarray, **columns: Any) -> bool:
    """Whether frames, of which some rows are the board's, are taken for notes."""
    tone = replace(tone_of(plain_frames(len(rows))), rows=rows)
    return classify_source(plain_frames(len(rows), **columns), tone, np.zeros(len(rows)), sine=False).played


def played(notes: int, rows: int, silence_db: float = 20.0, cents: float = 300.0, gap_rows: int = 5) -> bool:
    """Notes of so many rows, with silences between them."""
    row = np.arange(notes * (rows + gap_rows))
    note, silent = row // (rows + gap_rows), row % (rows + gap_rows) >= rows
    return is_played(
        ~silent,
        f0_hz=440.0 * 2 ** (cents * (note % 2) / 1200),
        oscillating=~silent,
        level_dbfs=np.where(silent, -12.0 - silence_db, -12.0),
        segment=np.where(silent, -1, note).astype(np.int64),
    )


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"notes": 5, "rows": 45}, True),
        ({"notes": 4, "rows": 45}, False),
        ({"notes": 5, "rows": 99}, True),
        ({"notes": 5, "rows": 101}, False),
        ({"notes": 5, "rows": 45, "silence_db": 12.1}, True),
        ({"notes": 5, "rows": 45, "silence_db": 11.9}, False),
        ({"notes": 5, "rows": 45, "cents": 140.0}, False),
        ({"notes": 5, "rows": 45, "cents": 155.0}, True),
        ({"notes": 5, "rows": 45, "cents": 155.0, "gap_rows": 8}, False),
    ],
)
def test_notes_are_played_where_silences_lead_to_other_pitches(given: dict[str, Any], expected: bool) -> None:
    """Four silences of 12 dB, 0.4 a second of tone, to a pitch that no hand turns to: 100 cents and 400 a second."""
    assert played(**given) is expected


def blown(notes: int, rows: int, breath_dbc: float = -24.0, silence_dbfs: float = -60.0, cents: float = 300.0) -> bool:
    """Notes of so many rows, one after the other without a silence, after a second of it."""
    row = np.arange(50 + notes * rows)
    note = np.maximum(row - 50, 0) // rows
    return is_played(
        row >= 50,
        f0_hz=440.0 * 2 ** (cents * (note % 2) / 1200),
        oscillating=row >= 50,
        level_dbfs=np.where(row < 50, silence_dbfs, -12.0),
        residual_dbc=breath_dbc,
    )


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"notes": 5, "rows": 45}, True),
        ({"notes": 4, "rows": 45}, False),
        ({"notes": 5, "rows": 99}, True),
        ({"notes": 5, "rows": 101}, False),
        ({"notes": 5, "rows": 45, "breath_dbc": -26.9}, True),
        ({"notes": 5, "rows": 45, "breath_dbc": -27.1}, False),
        ({"notes": 5, "rows": 45, "silence_dbfs": -56.1}, True),
        ({"notes": 5, "rows": 45, "silence_dbfs": -55.9}, False),
        ({"notes": 5, "rows": 45, "cents": 101.0}, True),
        ({"notes": 5, "rows": 45, "cents": 99.0}, False),
    ],
)
def test_notes_are_played_that_follow_each_other_with_a_breath(given: dict[str, Any], expected: bool) -> None:
    """Four steps of a semitone, 0.4 a second, and noise of a twentieth that the silence has not, by 20 dB."""
    assert blown(**given) is expected


def plucked(
    notes: int, rows: int, db_per_s: float = -12.0, pitches: int = 3, steady: int = 0, holds_rows: int = 0
) -> bool:
    """Notes that follow each other and die away from their begin, or after some rows; and some that do not."""
    row = np.arange((notes + steady) * rows)
    note, since = row // rows, row % rows
    falls = np.where(note < notes, db_per_s * 0.02 * np.maximum(since - holds_rows, 0), 0.0)
    pitch_hz = 440.0 * 2 ** (300.0 * (note % pitches) / 1200)
    return is_played(np.ones(len(row), dtype=bool), f0_hz=pitch_hz, level_dbfs=-12.0 + falls)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"notes": 6, "rows": 50}, True),
        ({"notes": 3, "rows": 50}, False),
        ({"notes": 5, "rows": 50}, True),
        ({"notes": 6, "rows": 50, "pitches": 2}, False),
        ({"notes": 6, "rows": 50, "db_per_s": -7.0}, False),
        ({"notes": 6, "rows": 50, "db_per_s": -8.0}, True),
        ({"notes": 6, "rows": 50, "db_per_s": 12.0}, False),
        ({"notes": 6, "rows": 50, "holds_rows": 10}, False),
        ({"notes": 6, "rows": 50, "steady": 4}, True),
        ({"notes": 6, "rows": 50, "steady": 5}, False),
        ({"notes": 6, "rows": 130}, False),
    ],
)
def test_notes_are_played_that_die_away_from_their_begin(given: dict[str, Any], expected: bool) -> None:
    """3 dB within two fifths, six in ten of the notes, four of them and 0.4 a second, at three pitches."""
    assert plucked(**given) is expected


# Two tones at once

HEARD = SourceClass(source="not-an-oscillator", clean_share=0.0, residual_dbc=-3.0)
RATE_HZ = 16_000.0


def sines(seconds: float, *lines: tuple[float, float], rate_hz: float = RATE_HZ) -> np.ndarray:
    """Sum of lines of some frequencies, hertz, and powers, decibels."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.asarray(sum(10 ** (db / 20) * np.cos(2 * np.pi * f * t + 0.7 * i) for i, (f, db) in enumerate(lines)))


@pytest.mark.parametrize(
    ("pair_s", "rest_db", "source"),
    [
        (1.5, -13.0, "two-tones"),
        (1.5, -11.0, "not-an-oscillator"),
        (1.9, -11.0, "two-tones"),
    ],
    ids=["where it is loud", "half of the time", "two thirds of it"],
)
def test_two_tones_are_two_in_most_of_the_loud_windows(pair_s: float, rest_db: float, source: str) -> None:
    """What sounds in the rest of 3 s is noise, at a level that the rows state."""
    x = sines(3.0, (440.0, 0.0), (617.0, -3.0))
    x[round(pair_s * RATE_HZ) :] = white(len(x), -3.0)[round(pair_s * RATE_HZ) :]
    level_dbfs = np.where(np.arange(150) < pair_s / 0.02, -12.0, -12.0 + rest_db)
    frames = plain_frames(150, level_dbfs=level_dbfs, rate_hz=RATE_HZ)
    assert two_tones(Take(samples=x, true_rate_hz=RATE_HZ), frames, HEARD).source == source


@pytest.mark.parametrize(
    ("heard", "rows", "source"),
    [
        ("not-an-oscillator", 11, "not-an-oscillator"),
        ("not-an-oscillator", 13, "two-tones"),
        ("absent", 49, "absent"),
        ("absent", 51, "two-tones"),
    ],
)
def test_two_tones_are_looked_for_in_two_windows_at_the_least(heard: Any, rows: int, source: str) -> None:
    x = sines(rows * 0.02 + 0.05, (440.0, 0.0), (617.0, -3.0))
    frames = plain_frames(rows, rate_hz=RATE_HZ)
    found = two_tones(Take(samples=x, true_rate_hz=RATE_HZ), frames, replace(HEARD, source=heard))
    assert found.source == source


def test_the_window_parts_tones_eight_hertz_from_each_other_where_neither_is_tracked() -> None:
    x = sines(3.0, (70.0, 0.0), (79.0, 0.0))
    take, frames = Take(samples=x, true_rate_hz=RATE_HZ), plain_frames(150, rate_hz=RATE_HZ)
    assert two_tones(take, frames, HEARD).source == HEARD.source
    found = two_tones(take, frames, replace(HEARD, source="absent"))
    assert (found.source, found.low_hz, found.high_hz) == (
        "two-tones", pytest.approx(70.0, abs=1.6), pytest.approx(79.0, abs=1.6),
    )  # fmt: skip


@pytest.mark.parametrize(("weaker_db", "found"), [(0.0, True), (-21.0, True), (-23.0, False)])
def test_a_second_series_is_no_fainter_than_a_twelfth(weaker_db: float, found: bool) -> None:
    pair = _two_series(sines(0.12, (440.0, 0.0), (617.0, weaker_db)), RATE_HZ)
    assert (pair is not None) is found
    if pair is not None:
        assert pair == (
            pytest.approx(440.0, rel=0.002),
            pytest.approx(617.0, rel=0.002),
            pytest.approx(weaker_db, abs=0.3),
        )


@pytest.mark.parametrize(("third_db", "found"), [(-10.6, True), (-9.1, False)])
def test_two_series_leave_a_twentieth(third_db: float, found: bool) -> None:
    """Of two equal lines and a third p: p / (2 + p) is 0.042 and 0.058."""
    x = sines(0.12, (440.0, 0.0), (617.0, 0.0), (771.0, third_db))
    assert (_two_series(x, RATE_HZ) is not None) is found


@pytest.mark.parametrize(("octaves", "found"), [(0.0185, False), (0.0215, True), (0.029, True)])
def test_two_series_are_a_quarter_of_a_semitone_apart(octaves: float, found: bool) -> None:
    x = sines(0.5, (10_000.0, 0.0), (10_000.0 * 2**octaves, -1.0), rate_hz=48_000.0)
    assert (_two_series(x, 48_000.0) is not None) is found


def test_lines_near_each_other_keep_their_power() -> None:
    """17 Hz apart, in half a second: the skirts of one are taken off, not the other's lobe."""
    pair = _two_series(sines(0.5, (440.0, 0.0), (457.0, -0.5)), RATE_HZ)
    assert pair == (pytest.approx(440.0, abs=0.3), pytest.approx(457.0, abs=0.3), pytest.approx(-0.5, abs=0.5))


def test_a_low_second_tone_and_silence() -> None:
    pair = _two_series(sines(0.12, (200.0, 0.0), (31.0, -6.0)), RATE_HZ)
    assert pair is not None
    assert pair[0] == pytest.approx(31.0, rel=0.03)
    assert _two_series(np.zeros(1920), RATE_HZ) is None


@pytest.mark.parametrize(
    ("ratio", "one"), [(2.0036, True), (2.0045, False), (1.5 * 1.0018, True), (1.5 * 1.0022, False), (4 / 3, True)]
)
def test_pitches_in_a_ratio_of_small_numbers_are_one_series(ratio: float, one: bool) -> None:
    assert _is_one_series(100.0, 100.0 * ratio) is one
