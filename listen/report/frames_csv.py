"""The frames table as CSV: one row a frame, an empty cell where nothing was measurable."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from listen.report.csv_cells import Decimal, with_decimal
from listen.report.files import write_whole

if TYPE_CHECKING:
    from listen.circuit import ChannelPair
    from listen.track.types import Frames

_SHAPE = (
    "flat_positive",
    "flat_negative",
    "slope_over_sine",
    "dead_band",
    "subharmonic_dbc",
    "residual_dbc",
    "residual_peak_dbc",
    "residual_peak_cycle",
    "spur_dbc",
    "spur_hz",
    "frame_s",
)
_WAVES = ("rise_share", "duty_share", "reset_s", "corner_s", "glitch_share")
_HARMONICS = range(2, 11)

_FORMATS: tuple[tuple[str, str], ...] = (
    ("time_s", "%.7f"),
    ("f0_hz", "%.9g"),
    ("f0_sigma_cents", "%.4g"),
    ("oscillating", "%.0f"),
    ("fundamental_dbfs", "%.4f"),
    ("level_dbfs", "%.4f"),
    ("thd_percent", "%.5g"),
    ("even_dbc", "%.3f"),
    ("odd_dbc", "%.3f"),
    *((f"h{k}_dbc", "%.3f") for k in _HARMONICS),
    ("noise_dbfs", "%.3f"),
    ("crest_positive", "%.5f"),
    ("crest_negative", "%.5f"),
    ("dc_fs", "%.4g"),
    *((name, "%.5g") for name in _SHAPE),
    ("harmonic_count", "%.0f"),
    *((name, "%.6g") for name in _WAVES),
    *((f"h{k}_phase_rad", "%.4f") for k in _HARMONICS),
)

_ROWS_AT_ONCE = 2000
"""A number in Python takes 32 bytes: an hour's table at once would be 230 MB of them."""

FRAME_COLUMNS: tuple[str, ...] = tuple(name for name, _ in _FORMATS)
"""The header: the columns in their order."""


PAIR_COLUMNS: tuple[str, ...] = ("second_phase_deg", "second_level_db")
"""Further columns of a take whose other channel holds a second output: against the first, where the phase leads."""


def frames_csv(frames: Frames, pair: ChannelPair | None = None) -> str:
    """Return the frames as CSV text, the header first.

    Parameters
    ----------
    frames : Frames
    pair : ChannelPair, optional
        Another output of the oscillator on another channel: two columns more.

    Returns
    -------
    str
        Lines end with a newline. ``time_s`` has seven decimals (a sample at one octave a second is 0.025 cents),
        ``f0_hz`` nine digits.
    """
    return "".join(_pieces(frames, pair))


def write_frames_csv(
    frames: Frames, path: str | os.PathLike[str], decimal: Decimal = "point", pair: ChannelPair | None = None
) -> None:
    """Write the frames to a CSV file, whole or not at all.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    write_whole(path, (with_decimal(piece, decimal).encode("ascii") for piece in _pieces(frames, pair)))


def _pieces(frames: Frames, pair: ChannelPair | None) -> Iterator[str]:
    """Give the header, then the rows, some thousands at a time."""
    more = PAIR_COLUMNS if pair is not None else ()
    yield ",".join((*FRAME_COLUMNS, *more)) + "\n"
    row = ",".join([*(form for _, form in _FORMATS), *("%.4f" for _ in more)]) + "\n"
    columns = [_column(frames, name) for name in FRAME_COLUMNS]
    columns += _pair_columns(frames, pair) if pair is not None else []
    for start in range(0, len(frames), _ROWS_AT_ONCE):
        table = np.column_stack([column[start : start + _ROWS_AT_ONCE] for column in columns]).astype(np.float64)
        table[~np.isfinite(table)] = np.nan
        # One format over many rows: 18 ms for 3000 rows of 40 columns; cell by cell through the csv module, 47 ms.
        yield ((row * len(table)) % tuple(table.ravel().tolist())).replace("nan", "")


def _pair_columns(frames: Frames, pair: ChannelPair) -> list[Any]:
    """Phase and level of the second output in the rows that were compared."""
    phase_deg, level_db = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
    rows = np.searchsorted(frames.time_s, [point.time_s - 1e-6 for point in pair.along])
    phase_deg[rows] = [point.phase_deg for point in pair.along]
    level_db[rows] = [point.level_db for point in pair.along]
    return [phase_deg, level_db]


def _column(frames: Frames, name: str) -> Any:
    if name.startswith("h") and name[1:2].isdigit():
        k, _, unit = name[1:].partition("_")
        table = frames.harmonics_dbc if unit == "dbc" else frames.harmonic_phase_rad
        return table[:, int(k) - 2]
    return getattr(frames, name)
