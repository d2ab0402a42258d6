"""The frames table as CSV: what is written can be read back, empty is empty."""

from __future__ import annotations

import csv
import io
import time
from pathlib import Path

import numpy as np
import pytest

from listen.report import FRAME_COLUMNS, frames_csv, write_frames_csv
from listen.track.types import HARMONIC_COLUMNS
from tests.helpers import make_frames

LEADING = (
    "time_s,f0_hz,f0_sigma_cents,oscillating,fundamental_dbfs,level_dbfs,thd_percent,even_dbc,odd_dbc,"
    "h2_dbc,h3_dbc,h4_dbc,h5_dbc,h6_dbc,h7_dbc,h8_dbc,h9_dbc,h10_dbc,noise_dbfs,crest_positive,crest_negative,dc_fs"
)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_the_header_comes_first_and_begins_as_promised() -> None:
    header = frames_csv(make_frames(3)).splitlines()[0]
    assert header.startswith(LEADING)
    assert header == ",".join(FRAME_COLUMNS)
    assert len(set(FRAME_COLUMNS)) == len(FRAME_COLUMNS)


def test_every_harmonic_that_has_a_column_in_the_frames_has_one_here() -> None:
    for unit in ("dbc", "phase_rad"):
        assert sum(f"h{k}_{unit}" in FRAME_COLUMNS for k in range(2, 99)) == HARMONIC_COLUMNS - 1


def test_without_a_row_there_is_still_a_header() -> None:
    assert frames_csv(make_frames(0)) == ",".join(FRAME_COLUMNS) + "\n"


def test_where_nothing_oscillates_the_cells_are_empty() -> None:
    rows = rows_of(frames_csv(make_frames(6, silent=4)))
    assert [row["oscillating"] for row in rows] == ["0"] * 4 + ["1"] * 2
    assert [row["f0_hz"] == "" for row in rows] == [True] * 4 + [False] * 2
    assert rows[0]["h2_dbc"] == ""
    assert rows[0]["crest_positive"] == ""
    assert rows[0]["level_dbfs"] == "-98.0000"
    assert rows[0]["harmonic_count"] == "0"
    assert rows[5]["harmonic_count"] == "10"


def test_a_table_in_which_nothing_oscillates_is_written_too() -> None:
    rows = rows_of(frames_csv(make_frames(5, silent=5)))
    assert len(rows) == 5
    assert all(row["f0_hz"] == "" for row in rows)


def test_infinite_is_empty_too() -> None:
    frames = make_frames(2)
    noise = np.array([-np.inf, np.inf])
    object.__setattr__(frames, "noise_dbfs", noise)
    assert [row["noise_dbfs"] for row in rows_of(frames_csv(frames))] == ["", ""]


# Each tolerance is half of the last digit that the column is promised to have.
@pytest.mark.parametrize(
    ("column", "atol", "rtol"),
    [
        ("time_s", 0.51e-7, 0.0),
        ("f0_hz", 0.0, 0.51e-8),
        ("level_dbfs", 0.51e-4, 0.0),
        ("thd_percent", 0.0, 0.51e-4),
        ("crest_positive", 0.51e-5, 0.0),
    ],
)
def test_numbers_come_back(column: str, atol: float, rtol: float) -> None:
    frames = make_frames(4321)
    read = np.array([float(row[column]) for row in rows_of(frames_csv(frames))])
    np.testing.assert_allclose(read, getattr(frames, column), rtol=rtol, atol=atol)


def test_harmonics_stand_in_their_own_columns() -> None:
    frames = make_frames(3)
    row = rows_of(frames_csv(frames))[1]
    for k in range(2, 11):
        assert float(row[f"h{k}_dbc"]) == pytest.approx(frames.harmonics_dbc[1, k - 2], abs=0.51e-3)
        assert float(row[f"h{k}_phase_rad"]) == pytest.approx(frames.harmonic_phase_rad[1, k - 2], abs=0.51e-4)


def test_no_cell_needs_quotes_and_every_row_has_every_cell() -> None:
    text = frames_csv(make_frames(2500, silent=1000))
    assert '"' not in text
    assert "nan" not in text
    assert "inf" not in text
    assert {line.count(",") for line in text.splitlines()} == {len(FRAME_COLUMNS) - 1}


def test_three_thousand_rows_are_quick() -> None:
    frames = make_frames(3000)
    times_s = []
    for _ in range(5):
        start_s = time.process_time()
        frames_csv(frames)
        times_s.append(time.process_time() - start_s)
    # 18 ms of processor time; five times that leaves room for a busy machine, and still refuses a loop over cells.
    assert min(times_s) < 0.09


def test_the_file_is_the_text(tmp_path: Path) -> None:
    frames = make_frames(10)
    write_frames_csv(frames, tmp_path / "frames.csv")
    assert (tmp_path / "frames.csv").read_bytes().decode() == frames_csv(frames)
