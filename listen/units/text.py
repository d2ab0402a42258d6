"""Quantities as a person reads them."""

from __future__ import annotations

import math

from listen.units.pitch import cents_off_note, note_name

_OFF_NOTE_CENTS = 25.0
"""From here on a pitch is nearer to the middle between two notes than to its own."""


def _digits(value: float, digits: int) -> str:
    """Write a number with so many significant digits, never in powers of ten."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:.0f}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    if rounded != 0.0:
        places = digits - 1 - math.floor(math.log10(abs(rounded)) + 1e-12)
    return f"{rounded:.{max(0, places)}f}"


def format_hz(f_hz: float, digits: int = 3) -> str:
    """Write a frequency for a person.

    Parameters
    ----------
    f_hz : float
        Hz.
    digits : int
        Significant digits.

    Returns
    -------
    str

    Examples
    --------
    >>> format_hz(32.703), format_hz(440.0), format_hz(1234.5), format_hz(999.9)
    ('32.7 Hz', '440 Hz', '1.23 kHz', '1.00 kHz')
    """
    if not math.isfinite(f_hz):
        return "no pitch"
    if abs(round(f_hz, digits - 3)) >= 1000.0:
        return f"{_digits(f_hz / 1000.0, digits)} kHz"
    return f"{_digits(f_hz, digits)} Hz"


def format_hz_note(f_hz: float) -> str:
    """Write a pitch with the nearest note, and with the cents that it is off where another note is nearly as near.

    Two readings of one pitch, halfway between two notes, then have names that can be told to be neighbours.

    Parameters
    ----------
    f_hz : float
        Hz.

    Returns
    -------
    str

    Examples
    --------
    >>> format_hz_note(1046.5)
    '1.05 kHz (C6)'
    >>> format_hz_note(452.0), format_hz_note(454.0)
    ('452 Hz (A4 +47 cents)', '454 Hz (A#4 -46 cents)')
    """
    name = note_name(f_hz)
    if not name:
        return format_hz(f_hz)
    off_note = abs(cents_off_note(f_hz)) >= _OFF_NOTE_CENTS
    return f"{format_hz(f_hz)} ({format_note_cents(f_hz) if off_note else name})"


def format_hz_range(low_hz: float, high_hz: float) -> str:
    """Write a range of pitch with its notes; of one pitch, that alone.

    Parameters
    ----------
    low_hz, high_hz : float
        Hz.

    Returns
    -------
    str

    Examples
    --------
    >>> format_hz_range(245.16, 2093.0), format_hz_range(440.0, 440.1)
    ('245 Hz (B3) to 2.09 kHz (C7)', '440 Hz (A4)')
    """
    low, high = format_hz_note(low_hz), format_hz_note(high_hz)
    return low if low == high else f"{low} to {high}"


def read_number(text: str) -> float | None:
    """Read a number as a person types it, with a decimal point or a decimal comma.

    Parameters
    ----------
    text : str

    Returns
    -------
    float or None
        None where it is no finite number, or could be read in two ways.

    Examples
    --------
    >>> read_number("2.5"), read_number(" -2,5 "), read_number("1,234.5"), read_number("two")
    (2.5, -2.5, None, None)
    """
    plain = text.strip()
    if plain.count(",") > 1 or ("," in plain and "." in plain) or "_" in plain:
        return None
    try:
        number = float(plain.replace(",", "."))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def format_note_cents(f_hz: float) -> str:
    """Write the nearest note of a pitch with the cents that it is off, so that one pitch has one name.

    Parameters
    ----------
    f_hz : float
        Hz.

    Returns
    -------
    str

    Examples
    --------
    >>> format_note_cents(440.0), format_note_cents(446.0), format_note_cents(435.0)
    ('A4', 'A4 +23 cents', 'A4 -20 cents')
    """
    cents = round(cents_off_note(f_hz))
    return f"{note_name(f_hz)} {cents:+d} cents" if cents else note_name(f_hz)


def format_seconds(duration_s: float) -> str:
    """Write a duration for a person.

    Parameters
    ----------
    duration_s : float
        Seconds.

    Returns
    -------
    str

    Examples
    --------
    >>> format_seconds(0.0123), format_seconds(2.5), format_seconds(75.2), format_seconds(3725)
    ('12 ms', '2.5 s', '1 min 15 s', '1 h 02 min')
    """
    if not math.isfinite(duration_s):
        return "unknown time"
    if abs(duration_s) < 0.0995:
        milliseconds = 1000.0 * duration_s
        return f"{_digits(milliseconds, 2) if abs(milliseconds) >= 0.1 else f'{milliseconds:.2g}'} ms"
    if duration_s < 9.95:
        return f"{_digits(duration_s, 2)} s"
    whole = round(duration_s)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(duration_s / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def format_percent(percent: float) -> str:
    """Write per cent for a person, two significant digits below ten.

    Parameters
    ----------
    percent : float
        Per cent.

    Returns
    -------
    str

    Examples
    --------
    >>> format_percent(0.0123), format_percent(5.83), format_percent(37.23)
    ('0.012 %', '5.8 %', '37 %')
    """
    return f"{_digits(percent, 2)} %" if math.isfinite(percent) else "not measurable"


def format_db(level_db: float, unit: str = "dB") -> str:
    """Write decibels with one decimal.

    Parameters
    ----------
    level_db : float
        dB, dBc or dBFS.
    unit : str
        Which of them.

    Returns
    -------
    str

    Examples
    --------
    >>> format_db(-46.02, "dBc")
    '-46.0 dBc'
    """
    if math.isnan(level_db):
        return "not measurable"
    return f"{round(level_db, 1) + 0.0:.1f} {unit}"
