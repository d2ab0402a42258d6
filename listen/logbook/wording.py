"""Normalisation and validation of the texts that a user writes into a logbook."""

from __future__ import annotations

import math
import unicodedata
from datetime import UTC, datetime

from listen.errors import OptionError
from listen.logbook.types import STATES, About

LONGEST_NAME, LONGEST_NOTE = 200, 10_000
COLDEST_C, HOTTEST_C = -50.0, 100.0
LONGEST_WARM_UP_MIN = 100_000.0
EARLIEST_YEAR, _LATEST_YEAR = 1900, 9000
"""No oscillator was measured before; a year near an end of the calendar cannot be shown in all time zones."""


def normalised_name(text: str) -> str:
    r"""Return a build's name as it is kept: on one line, single spaces, composed characters.

    Raises
    ------
    OptionError
        It is empty, too long, or holds a control character.

    Examples
    --------
    >>> normalised_name("  north\n shelf ")
    'north shelf'
    """
    name = _on_one_line(text)
    if not name:
        raise OptionError("the name of the build is empty", "name it, for example --build 'north shelf'")
    if len(name) > LONGEST_NAME:
        raise OptionError(f"the name of the build has {len(name)} characters", f"give at most {LONGEST_NAME}")
    _refuse_controls(name, "the name of the build", allowed="")
    return name


def name_key(name: str) -> str:
    """Return what two spellings of one name have in common.

    Examples
    --------
    >>> name_key("North Shelf") == name_key("north  shelf")
    True
    """
    return unicodedata.normalize("NFC", _on_one_line(name).casefold())


def _on_one_line(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).split())


def normalised_note(text: str | None) -> str | None:
    """Return a note as it is kept, None for an empty one; line breaks stay.

    Raises
    ------
    OptionError
        It is too long or holds a control character.
    """
    note = (text or "").replace("\r\n", "\n").replace("\r", "\n").strip()
    if len(note) > LONGEST_NOTE:
        raise OptionError(f"the note has {len(note)} characters", f"give at most {LONGEST_NOTE}")
    _refuse_controls(note, "the note", allowed="\n\t")
    return note or None


def checked(about: About) -> About:
    """Return circumstances as they are kept.

    Raises
    ------
    OptionError
        A value is out of range; the message has the range.
    """
    _in_range("the temperature", about.temperature_c, COLDEST_C, HOTTEST_C, "degrees C")
    _in_range("the time since switching on", about.warm_up_min, 0.0, LONGEST_WARM_UP_MIN, "minutes")
    if about.state is not None and about.state not in STATES:
        raise OptionError(f"{about.state!r} is no state of a calibration", "known: " + ", ".join(STATES))
    measured = about.measured or datetime.now(UTC)
    if measured.tzinfo is None:
        raise ValueError("measured needs a time zone")
    return About(
        build=about.build,
        note=normalised_note(about.note),
        temperature_c=_float(about.temperature_c),
        warm_up_min=_float(about.warm_up_min),
        measured=measured.astimezone(UTC),
        state=about.state,
    )


def read_moment(value: object) -> datetime | None:
    """Return a moment as it was stored, None of what is none or lies where no calendar of a place can show it.

    Examples
    --------
    >>> read_moment("2026-03-01T18:30:00.000+00:00").year, read_moment("0001-01-01T00:00:00+00:00"), read_moment(7)
    (2026, None, None)
    """
    try:
        moment = datetime.fromisoformat(value)  # type: ignore[arg-type]
        return moment.astimezone(UTC) if moment.tzinfo and EARLIEST_YEAR <= moment.year <= _LATEST_YEAR else None
    except (TypeError, ValueError, OverflowError):
        return None


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _in_range(what: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None and not (math.isfinite(value) and low <= value <= high):
        raise OptionError(f"{what} cannot be {value:g} {unit}", f"give {low:g} to {high:g} {unit}")


def _refuse_controls(text: str, what: str, *, allowed: str) -> None:
    """Refuse what is no writing: control characters, and bytes that were no text in the first place."""
    for character in text:
        if unicodedata.category(character) in ("Cc", "Cs") and character not in allowed:
            raise OptionError(f"{what} holds the character U+{ord(character):04X}, which is no writing", "leave it out")
