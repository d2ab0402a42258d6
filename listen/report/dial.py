"""A printed scale for a dial at 1:1, as SVG in millimetres: a mark a note, at the angle at which it sounds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from listen.errors import OptionError

if TYPE_CHECKING:
    from listen.calibration.types import Calibration, InverseRow

ANGLE_DEG = (30.0, 350.0)
DIAMETER_MM = (10.0, 200.0)
"""What a dial may turn and measure: beyond a turn the ends of the scale meet; larger ones leave a sheet of A4."""

DEFAULT_ANGLE_DEG = 300.0
DEFAULT_DIAMETER_MM = 40.0
"""Single-turn potentiometers turn 270 to 300 degrees, knobs have 20 to 40 mm (common practice, no source)."""

_CHECK_MM = 50.0
"""Length of the line by which a print is measured."""
_FOOT_MM = 74.0
"""Width of the words below the scale, in a wide type."""
_MARGIN_MM = 3.0
_GLYPH_EM = 0.62
"""Width of a letter or digit over the height of its type: wide ones of common sans-serif types (no source)."""
_GAP_MM = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Style:
    """How the mark of a note is drawn: its length, the weight of its line and the height of its name."""

    length_mm: float
    line_mm: float
    type_mm: float


_OCTAVE = _Style(length_mm=4.5, line_mm=0.35, type_mm=2.8)
_NATURAL = _Style(length_mm=3.0, line_mm=0.25, type_mm=2.1)
_SHARP = _Style(length_mm=1.8, line_mm=0.18, type_mm=1.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class DialMark:
    """One note on a dial.

    Attributes
    ----------
    note : str
    angle_deg : float
        From straight up, clockwise positive.
    sigma_deg : float
        Its standard deviation.
    """

    note: str
    angle_deg: float
    sigma_deg: float


def check_dial(has_positions: bool, angle_deg: float, diameter_mm: float) -> None:
    """Refuse what gives no scale, before any work is done.

    Raises
    ------
    OptionError
        The table has volts, or a size is out of range.
    """
    if not has_positions:
        raise OptionError("--dial needs the positions of a dial", "give them with --positions 0:10:1")
    for option, value, (least, most), unit in (
        ("--dial-angle", angle_deg, ANGLE_DEG, "degrees"),
        ("--dial-diameter", diameter_mm, DIAMETER_MM, "mm"),
    ):
        if not least <= value <= most:
            raise OptionError(f"{option} {value:g} is out of range", f"give {least:g} to {most:g} {unit}")


def dial_marks(calibration: Calibration, angle_deg: float = DEFAULT_ANGLE_DEG) -> tuple[DialMark, ...]:
    """Return the angle of each note that a dial reaches.

    Parameters
    ----------
    calibration : Calibration
        Of a dial: its axis is positions, evenly spaced over the turn, higher ones clockwise.
    angle_deg : float
        From the lowest position of the table to the highest.

    Returns
    -------
    tuple of Mark

    Raises
    ------
    OptionError
        The table has volts, or no note lies within it.
    """
    check_dial(calibration.axis == "positions", angle_deg, DEFAULT_DIAMETER_MM)
    if not calibration.inverse:
        raise OptionError(
            "--dial: no note of equal temperament has one place on this dial",
            "take more positions; the pitch must rise or fall throughout, over a semitone or more",
        )
    places = [step.cv_v for step in calibration.steps]
    lowest, highest = min(places), max(places)
    scale = angle_deg / (highest - lowest)
    return tuple(_mark(row, lowest, scale, angle_deg) for row in calibration.inverse)


def _mark(row: InverseRow, lowest: float, scale: float, angle_deg: float) -> DialMark:
    return DialMark(
        note=row.note, angle_deg=(row.cv_v - lowest) * scale - angle_deg / 2.0, sigma_deg=row.sigma_v * scale
    )


def dial_svg(
    calibration: Calibration, *, angle_deg: float = DEFAULT_ANGLE_DEG, diameter_mm: float = DEFAULT_DIAMETER_MM
) -> str:
    """Return a scale to print, cut out and put under a knob.

    Parameters
    ----------
    calibration : Calibration
        Of a dial.
    angle_deg : float
        From the lowest position of the table to the highest, 30 to 350.
    diameter_mm : float
        Where the marks begin: that of the knob, 10 to 200.

    Returns
    -------
    str
        SVG 1.1 whose units are millimetres: printed at 100 % it is at 1:1. Names that would touch another are left out,
        octaves first kept, then naturals.

    Raises
    ------
    OptionError
        An option is out of range, or the table gives no scale.
    """
    check_dial(calibration.axis == "positions", angle_deg, diameter_mm)
    marks = dial_marks(calibration, angle_deg)
    radius = diameter_mm / 2.0
    half = max(radius + _OCTAVE.length_mm + 3.0 * _OCTAVE.type_mm, _FOOT_MM / 2.0) + _MARGIN_MM
    drawn = [*_lines(marks, radius), *_names(marks, radius), *_middle(radius, angle_deg)]
    foot = _foot(marks, half)
    width, height = 2.0 * half, 2.0 * half + 14.0
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}mm" height="{height:.2f}mm" '
        f'viewBox="{-half:.2f} {-half:.2f} {width:.2f} {height:.2f}">\n'
        f"<title>{escape(f'Scale of a dial, {marks[0].note} to {marks[-1].note}')}</title>\n"
        '<g fill="none" stroke="#000" font-family="sans-serif" text-anchor="middle">\n'
        + "\n".join([*drawn, *foot])
        + "\n</g>\n</svg>\n"
    )


def _style(note: str) -> _Style:
    if "#" in note:
        return _SHARP
    return _OCTAVE if note.startswith("C") else _NATURAL


def _point_at(radius: float, angle_deg: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return radius * math.sin(angle), -radius * math.cos(angle)


def _lines(marks: Sequence[DialMark], radius: float) -> list[str]:
    out = []
    for mark in marks:
        style = _style(mark.note)
        (x1, y1), (x2, y2) = _point_at(radius, mark.angle_deg), _point_at(radius + style.length_mm, mark.angle_deg)
        out.append(
            f'<line class="note" data-note="{mark.note}" x1="{x1:.3f}" y1="{y1:.3f}" x2="{x2:.3f}" y2="{y2:.3f}" '
            f'stroke-width="{style.line_mm}"/>'
        )
    return out


def _names(marks: Sequence[DialMark], radius: float) -> list[str]:
    """Write the names of notes where there is room: of octaves, then of naturals, then of the others."""
    boxes: list[tuple[float, float, float, float]] = []
    out = []
    for style in (_OCTAVE, _NATURAL, _SHARP):
        for mark in marks:
            if _style(mark.note) is not style:
                continue
            width, height = _GLYPH_EM * style.type_mm * len(mark.note), style.type_mm
            x, y = _point_at(radius + _OCTAVE.length_mm + _GAP_MM + 0.5 * math.hypot(width, height), mark.angle_deg)
            box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            if any(_touch(box, other) for other in boxes):
                continue
            boxes.append(box)
            # a type's figures stand 0.7 of its height above the line: half of that brings them to the middle
            out.append(
                f'<text x="{x:.3f}" y="{y + 0.35 * height:.3f}" font-size="{height}" fill="#000" stroke="none">'
                f"{mark.note}</text>"
            )
    return out


def _touch(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return (
        one[0] < other[2] + _GAP_MM
        and other[0] < one[2] + _GAP_MM
        and one[1] < other[3] + _GAP_MM
        and other[1] < one[3] + _GAP_MM
    )


def _middle(radius: float, angle_deg: float) -> list[str]:
    """Draw the arc that the knob covers, and the cross for its shaft."""
    (x1, y1), (x2, y2) = _point_at(radius, -angle_deg / 2.0), _point_at(radius, angle_deg / 2.0)
    large = int(angle_deg > 180.0)
    return [
        f'<path d="M {x1:.3f} {y1:.3f} A {radius:g} {radius:g} 0 {large} 1 {x2:.3f} {y2:.3f}" stroke-width="0.2"/>',
        '<path d="M -3 0 H 3 M 0 -3 V 3" stroke-width="0.15"/>',
    ]


def _foot(marks: Sequence[DialMark], half: float) -> list[str]:
    """Draw the line by which the print is measured, and say how exact the marks are."""
    y, end = half + 3.0, _CHECK_MM / 2.0
    worst = max(mark.sigma_deg for mark in marks)
    words = (
        f"{_CHECK_MM:g} mm: print at 100 %, and measure this line",
        f"A4 = 440 Hz; marks within {max(worst, 0.1):.1f} degrees (one sigma)",
    )
    return [
        f'<path class="check" d="M {-end:g} {y:.2f} H {end:g} M {-end:g} {y - 1:.2f} V {y + 1:.2f} '
        f'M {end:g} {y - 1:.2f} V {y + 1:.2f}" stroke-width="0.2"/>',
        *(
            f'<text x="0" y="{y + 4.0 + 3.5 * i:.2f}" font-size="2.2" fill="#000" stroke="none">{line}</text>'
            for i, line in enumerate(words)
        ),
    ]
