"""Entries of the logbook and the drift of a table, in words."""

from __future__ import annotations

import unicodedata
from datetime import datetime
from typing import TYPE_CHECKING, Any

from listen.report.paper import readable
from listen.units import format_note_cents

if TYPE_CHECKING:
    from listen.logbook import Drift, Entry, Stored
    from listen.logbook.temperature import TemperatureTrend

_SURE = 2.0
"""A change of fewer standard deviations than this is not significant."""

_WARM_MIN = 20.0
"""Minutes after switching on below which warming up may still show; makers ask for 10 to 30 (common practice)."""

_ZERO_C_IN_K = 273.15


def shown(text: str) -> str:
    r"""Return a text on one line with control and bidirectional formatting characters escaped.

    Examples
    --------
    >>> print(shown("abc\u202edef"))
    abc\u202edef
    """
    return "".join(
        f"\\u{ord(c):04x}" if unicodedata.category(c) == "Cf" else readable(c) for c in " ".join(text.split())
    )


def moment(when: datetime) -> str:
    """Format a time in the local time zone, to the minute."""
    return when.astimezone().strftime("%Y-%m-%d %H:%M")


def circumstances(entry: Entry) -> str:
    """Describe an entry: time, kind, state, temperature and warm-up time."""
    parts = [moment(entry.measured), entry.kind]
    if entry.state is not None:
        parts[-1] += f" {entry.state.replace('-', ' ')}"
    if entry.temperature_c is not None:
        parts.append(f"{entry.temperature_c:g} °C")
    if entry.warm_up_min is not None:
        parts.append(f"{entry.warm_up_min:g} min after switching on")
    return ", ".join(parts)


def summary(entry: Entry) -> str:
    """Say what an entry found, in one line; empty for a note, and of a changed one nothing but that."""
    if entry.changed:
        return f"changed after it had been stored{'' if entry.kind == 'note' else ': what it found is not shown'}"
    document = entry.document
    if entry.kind == "check":
        return f"{document.get('verdict', 'no verdict')}: {document.get('headline', '')}".rstrip(": ")
    if entry.kind == "note":
        return ""
    law = document.get("law") or {}
    steps = [step for step in document.get("steps") or () if step.get("f0_hz") is not None]
    parts = [f"{len(steps)} steps"]
    if law.get("kind"):
        parts.append(str(law["kind"]).replace("-", " "))
    if _is_number(law.get("volts_per_octave")):
        parts.append(f"{law['volts_per_octave']:.4f} V an octave")
    if _is_number(law.get("worst_error_cents")):
        parts.append(f"at worst {change(law['worst_error_cents'], None)} cents from its law")
    return ", ".join(parts)


def stored_line(stored: Stored) -> str:
    """Confirm what was stored, with a warning where the build's name or the recording looks like a mistake."""
    text = f"stored as entry {stored.number} of {quoted(stored.build)} in {readable(str(stored.path))}"
    if stored.new_build:
        text += ", the first of a new build"
    if stored.similar is not None:
        text += f" (there is also {quoted(stored.similar)}; struck out with: listen logbook strike {stored.number} WHY)"
    if stored.same_as is not None:
        text += f" (the same recording as entry {stored.same_as})"
    return text


def quoted(name: str) -> str:
    """Quote a name, with control characters escaped."""
    return f'"{shown(name)}"'


def drift_sentences(drift: Drift) -> list[str]:
    """Describe the drift between two tables: offset, octave width, residual, temperature."""
    if drift.why_not is not None:
        return [f"Cannot be compared: {drift.why_not}."]
    assert drift.offset_cents is not None
    assert drift.middle_hz is not None
    sentences = [
        f"All notes together: {change(drift.offset_cents, drift.offset_sigma_cents)} "
        f"cents (at {format_note_cents(drift.middle_hz)})."
    ]
    span = drift.span_cents_per_octave
    if span is not None:
        sigma = drift.span_sigma_cents_per_octave
        if _sure(span, sigma):
            size = change(abs(span), sigma, signed=False, decimals=2)
            sentences.append(f"Each octave: {size} cents {'wider' if span > 0.0 else 'narrower'}.")
        else:
            sentences.append(f"The octaves kept their width ({change(span, sigma, decimals=2)} cents each).")
    if drift.rest_rms_cents is not None:
        sentences.append(f"What neither explains: {drift.rest_rms_cents:.1f} cents rms.")
    return sentences + _temperature(drift) + _warm_up(drift)


def change(value: float, sigma: float | None, *, signed: bool = True, decimals: int = 1) -> str:
    """Format a change with its standard deviation.

    Examples
    --------
    >>> change(6.21, 0.04), change(0.5, None, signed=False, decimals=2)
    ('+6.2 ±0.0', '0.50')
    """
    value = round(value, decimals) + 0.0  # no minus before a zero
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    return text if sigma is None else f"{text} ±{sigma:.{decimals}f}"


def _sure(value: float, sigma: float | None) -> bool:
    return sigma is None or abs(value) >= _SURE * sigma


def _temperature(drift: Drift) -> list[str]:
    """Difference of temperature; two tables alone do not show that it is the cause."""
    change_c = drift.temperature_change_c
    if change_c is None or abs(change_c) < 1.0 or drift.cause == "trim":
        return []
    return [
        f"It was {abs(change_c):.3g} °C {'warmer' if change_c > 0.0 else 'colder'}: two tables do not tell the cause."
    ]


def trend_sentence(trend: TemperatureTrend) -> str:
    """Describe how a table changes with the temperature, or that no change is significant."""
    head = f"Over {trend.tables} tables, {trend.low_c:.3g} to {trend.high_c:.3g} °C:"
    parts = []
    if _sure(trend.cents_per_c, trend.sigma_cents_per_c):
        parts.append(f"{change(trend.cents_per_c, trend.sigma_cents_per_c)} cents a degree")
    span, sigma = trend.span_cents_per_octave_per_c, trend.span_sigma_cents_per_octave_per_c
    wide = span is not None and _sure(span, sigma)
    if span is not None and wide:
        parts.append(f"{change(span, sigma, decimals=2)} cents an octave a degree")
    if not parts:
        return f"{head} no change with the temperature stands out."
    text = f"{head} {' and '.join(parts)}."
    if trend.axis == "volts" and wide:
        # A junction's exponent is V / (kT/q): each octave shrinks by one part in T for a kelvin.
        bare = -1200.0 / (_ZERO_C_IN_K + (trend.against.temperature_c or 0.0))
        text += f" (A junction without compensation: {bare:+z.1f} cents an octave a degree.)"
    return text


def _warm_up(drift: Drift) -> list[str]:
    early = [e for e in (drift.against, drift.entry) if e.warm_up_min is not None and e.warm_up_min < _WARM_MIN]
    if not early or drift.cause == "trim":
        return []
    said = " and ".join(f"entry {e.number} {e.warm_up_min:g} min" for e in early)
    return [f"Taken soon after switching on ({said}): a part of this may be warming up."]


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
