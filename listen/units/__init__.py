"""Decibels, cents, notes and thirds of an octave: the only place where they are converted.

Functions take a number or an array and give back the same kind. What has no value is NaN (a negative pitch) or
minus infinity (the level of nothing), never an exception.
"""

from listen.units.levels import (
    db_from_percent,
    db_from_power_ratio,
    db_from_ratio,
    dbfs_from_rms,
    percent_from_db,
    power_ratio_from_db,
    ratio_from_db,
)
from listen.units.pitch import (
    A4_HZ,
    cents_between,
    cents_off_note,
    hz_from_cents,
    hz_from_note,
    note_name,
    note_number,
    third_centre_hz,
    third_edges_hz,
    third_index,
    third_nominal_hz,
)
from listen.units.text import (
    format_db,
    format_hz,
    format_hz_note,
    format_hz_range,
    format_note_cents,
    format_percent,
    format_seconds,
    read_number,
)

__all__ = [
    "A4_HZ",
    "cents_between",
    "cents_off_note",
    "db_from_percent",
    "db_from_power_ratio",
    "db_from_ratio",
    "dbfs_from_rms",
    "format_db",
    "format_hz",
    "format_hz_note",
    "format_hz_range",
    "format_note_cents",
    "format_percent",
    "format_seconds",
    "hz_from_cents",
    "hz_from_note",
    "note_name",
    "note_number",
    "percent_from_db",
    "power_ratio_from_db",
    "ratio_from_db",
    "read_number",
    "third_centre_hz",
    "third_edges_hz",
    "third_index",
    "third_nominal_hz",
]
