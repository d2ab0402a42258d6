"""The board as lines of text: words carry the meaning, and digits keep their columns."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from pathlib import Path

from listen.findings import half_name
from listen.report.drawing import bar
from listen.report.paper import with_units_held
from listen.units import format_note_cents
from listen.watch.plain import clock, level_hint
from listen.watch.screen.board import UNITS, Board, Shown
from listen.watch.screen.digits import large

NARROWEST = 40
WIDTH = 76
_NARROW = 64
"""Below this what stands beside a drawing goes under it."""
_LABEL = 11
_LANE, _NARROW_LANE = 21, 15
_LANE_ENDS = {"dB": 12.0, "cents": 20.0}
_H2_LEADS_DB = 6.0
_NAMES = {
    "pitch": "off the note",
    "octave": "error of the interval",
    "clean": "THD (H2 to H10)",
    "level": "level",
    "start": "from 1 to 90 % of its level",
}
UNIT = {"pitch": "cents", "octave": "cents", "clean": "%", "level": "dBFS", "start": "s"}
HELP = (
    "1 pitch   2 octave   3 clean   4 level   5 start    what is drawn large",
    "space     hold all readings as the reference       m  mark them",
    "Return    next step of a guide   b  back           q  stop and check",
)
NARROW_HELP = (
    "1 pitch  2 octave  3 clean  4 level",
    "5 start    what is drawn large",
    "space      hold all readings",
    "m mark     q stop and check",
    "Return     next step of a guide, b back",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What stands on the screen beside the readings.

    Attributes
    ----------
    keep : str or None
        Where the take is kept.
    volts_per_full_scale : float or None
    polarity_known : bool
        The bench file states it, either way.
    ac_coupling_hz : float or None
    guide : tuple of str
        Three lines, or none.
    keys : bool
        Show the keys.
    message : str
    ascii_only : bool
    page : bool
        It has its own big number and buttons.
    """

    keep: str | None = None
    volts_per_full_scale: float | None = None
    polarity_known: bool = False
    ac_coupling_hz: float | None = None
    guide: tuple[str, ...] = ()
    keys: bool = False
    message: str = ""
    ascii_only: bool = False
    page: bool = False


def draw(board: Board, around: Around, width: int, height: int) -> list[str]:
    """Draw the board.

    Parameters
    ----------
    board : Board
    around : Around
    width, height : int
        Of the terminal; below 40 columns it is one line.

    Returns
    -------
    list of str
        No more lines than the height, none longer than the width.
    """
    width = min(width, WIDTH)
    if width < NARROWEST or height < 4:
        return [_one_line(board, width)[:width]]
    lines = [_head(board, width), _right(_heard(board), width)]
    lines += [_row("", _notice(board))] if around.page else _large(board, around, width)
    lines += _lane(board, width, "the button" if around.page else "space")
    lines += [_harmonic(board, "h2_dbc", "H2  even"), _harmonic(board, "h3_dbc", "H3  odd"), _half(board, around)]
    lines += [_level(board, around), _row("now", _advice(board)), _row("take", _take(board, around)), *_source(board)]
    asked = ["", *around.guide] if around.guide else []
    asked += ["", *(NARROW_HELP if width < _NARROW else HELP)] if around.keys else []
    asked += [around.message] if around.message else []
    # what was asked for is shown where not all has room; what grows and shrinks is at the end, and cut first
    below = _all_wrapped(asked, width)[: height - 2]
    above = _all_wrapped(lines, width)[: height - len(below)]
    lines = [*above, *below, *_all_wrapped(_stands(board), width)][:height]
    text = [line[:width].rstrip() for line in lines]
    return [line.translate(_ASCII).encode("ascii", "replace").decode() for line in text] if around.ascii_only else text


_ASCII = str.maketrans("█▉▊▋▌▍▎▏▀▄●◀▶─│", "#######.##o<>-|")


def _row(label: str, text: str) -> str:
    return f"{label:<{_LABEL}}{text}"


def _all_wrapped(lines: list[str], width: int) -> list[str]:
    return [part for line in lines for part in _wrapped(line, width)]


def _wrapped(line: str, width: int) -> list[str]:
    """A sentence that is too long goes on below its beginning; a drawing is cut."""
    if len(line.rstrip()) <= width or any(c in line for c in "▀▄█▶"):
        return [line.replace("\u00a0", " ")]
    indent = " " * _LABEL
    if width < _NARROW and line.startswith(indent):
        line = indent + line.lstrip()
    wrapped = textwrap.wrap(with_units_held(line), width, subsequent_indent=indent, break_long_words=True)
    return [part.replace("\u00a0", " ") for part in wrapped]


def _right(text: str, width: int) -> str:
    return f"{text:>{width}}"


def _head(board: Board, width: int) -> str:
    reading = board.reading
    if reading is None:
        return _row(board.quantity, "waiting for the source")
    hz = board.median_of("f0_hz")
    pitch = ""
    if hz is not None and reading.state != "lost":
        pitch = f"{hz:9.2f} Hz  {format_note_cents(hz)}"
    state = {"lost": "nothing comes", "over": "clipping"}.get(reading.state, reading.state)
    left = f"{board.quantity:<{16 if width >= _NARROW else 6}}{pitch}"
    return f"{left:<{max(0, width - len(state) - 1)}} {state}"


def _heard(board: Board) -> str:
    return f"{clock(board.reading.heard_s)} heard" if board.reading is not None else ""


def number(quantity: str, shown: Shown) -> str:
    """Write a value with as many digits as its scatter supports.

    Examples
    --------
    >>> number("clean", Shown(0.5432, 0.004, True)), number("clean", Shown(0.5432, 0.05, True))
    ('0.54', '0.5')
    >>> number("pitch", Shown(-3.214, 0.004, True))
    '-3.21'
    """
    if shown.value is None:
        return ""
    finest = {"pitch": 2, "octave": 2, "clean": 3, "level": 2, "start": 2}[quantity]
    decimals = finest
    if not shown.sure:  # an outline: nobody should read a hundredth off a control that moves
        decimals = 1 if abs(shown.value) < 10.0 else 0
    elif shown.scatter > 0.0:
        decimals = min(finest, max(0, math.floor(-math.log10(2.0 * shown.scatter))))
    sign = "+" if quantity in ("pitch", "octave") else ""
    text = f"{shown.value:{sign}.{decimals}f}"
    return text.replace("-0.00", "+0.00") if text in ("-0.00", "-0.0", "-0") and sign else text


def _large(board: Board, around: Around, width: int) -> list[str]:
    """The big number, its name and the best; blanked where there is nothing to show."""
    quantity = board.quantity
    shown = board.shown(quantity)
    text = number(quantity, shown)
    blank = ["", "", ""]
    notice = _notice(board)
    if notice:
        return ["", _row("", notice), ""]
    note = _NAMES[quantity]
    best = board.best.get(quantity)
    side = [note, "median of the last 0.5 s" if shown.sure else "not at rest yet", ""]
    if best is not None:
        side[2] = f"best {number(quantity, Shown(best.value, best.scatter, True))}, at {clock(best.time_s)}"
    if not shown.sure:
        blank[1] = f"~ {text} {UNIT[quantity]}"
        drawn = [f"{line:<22}" for line in blank]
    elif around.ascii_only:
        drawn = [f"{line:<22}" for line in ("", f"{text} {UNIT[quantity]}", "")]
    else:
        figures = large(text)
        drawn = [f"{line}{' ' + UNIT[quantity] if i == 2 else ''}".ljust(22) for i, line in enumerate(figures)]
    if width < _NARROW:
        said = _row("", ", ".join(word for word in side if word))
        return [*(_row("", line.rstrip()) for line in drawn), said]
    return [_row("", f"{line} {word}") for line, word in zip(drawn, side, strict=True)]


def _notice(board: Board) -> str:
    """Say why there is no number; empty where there is one."""
    quantity, reading = board.quantity, board.reading
    if reading is not None and reading.state == "lost":
        return "NOTHING COMES from the source: look at the plug and the recorder"
    if reading is not None and reading.state == "over" and quantity == "clean":
        return "no distortion is shown while the interface clips: turn the input down"
    timed = quantity in ("start", "octave")
    if not number(quantity, board.shown(quantity)) or (reading is not None and reading.state == "silent" and not timed):
        return _wanted(quantity) if timed else "no tone"
    return ""


def _wanted(quantity: str) -> str:
    if quantity == "octave":
        return "play the two notes in turn, each for half a second (--interval octave)"
    return "switch the board off, and on again"


def _lane(board: Board, width: int, holds: str) -> list[str]:
    """Better or worse than the reference; silent while the hand moves."""
    narrow = width < _NARROW
    steps = _NARROW_LANE if narrow else _LANE
    if board.reference_s is None:
        return ["", _row("", f"{holds} holds these readings as the reference")]
    better = board.better_by(board.quantity)
    unit = UNITS[board.quantity]
    held = f"reference held at {clock(board.reference_s)} ({holds} holds a new one)"
    if better is None:
        return ["better".rjust(9) + "  ◀" + "─" * (steps // 2) + "│" + "─" * (steps // 2) + "▶  worse", _row("", held)]
    part = max(-1.0, min(1.0, -better / _LANE_ENDS[unit]))
    at = round((part + 1.0) / 2.0 * (steps - 1))
    lane = list("─" * steps)
    lane[steps // 2] = "│"
    lane[at] = "●"
    word = "better" if better > 0 else "worse"
    said = "as before" if abs(better) < (0.1 if unit == "dB" else 0.05) else f"{abs(better):.1f} {unit} {word}"
    drawn = f"{'better':>9}  ◀{''.join(lane)}▶  worse"
    return [drawn, _row("", f"{said}; {held}")] if narrow else [f"{drawn}   {said}", _row("", held)]


def _harmonic(board: Board, name: str, label: str) -> str:
    value = board.median_of(name)
    if value is None or board.reading is None or board.reading.state == "lost":
        return _row(label, "")
    part = max(0.0, min(1.0, (value + 100.0) / 90.0))
    held = board.reference.get(name)
    was = f"was\u00a0{held.value:.0f}" if held is not None else ""
    hints = {"h2_dbc": "turn what acts on symmetry", "h3_dbc": "turn what acts on gain"}
    hint = hints[name] if _leads(board, name) else ""
    return _row(label, f"{value:5.0f} dB  {bar(part, 10):<10}  {was:<9}{hint}")


def _leads(board: Board, name: str) -> bool:
    h2, h3 = board.median_of("h2_dbc"), board.median_of("h3_dbc")
    if h2 is None or h3 is None or max(h2, h3) < -70.0:
        return False
    return h2 > h3 + _H2_LEADS_DB if name == "h2_dbc" else h3 > h2 + _H2_LEADS_DB


def _half(board: Board, around: Around) -> str:
    found = board.half()
    if found is None:
        return _row("halves", "alike" if board.at_rest else "")
    name, percent = found
    half = half_name(name, around.polarity_known)
    polarity = "" if around.polarity_known else "   polarity: not tested"
    corner, hz = around.ac_coupling_hz, board.median_of("f0_hz")
    probably = "" if corner is not None and hz is not None and hz >= 10.0 * corner else "probably "
    if corner is None and hz is not None and hz >= 200.0:  # ten times the highest usual corner
        probably = ""
    return _row("halves", f"{probably}the {half} is held down by {percent:.1f} %{polarity}")


def _level(board: Board, around: Around) -> str:
    value = board.median_of("level_dbfs")
    if value is None or board.reading is None or board.reading.state in ("lost", "silent"):
        return _row("level", level_hint(board.peak_fs) if board.reading is not None else "")
    volts = ""
    if around.volts_per_full_scale is not None:
        volts = f"{2.0 * around.volts_per_full_scale * 10 ** (value / 20):.2f} Vpp   "
    rest = board.level_rest()
    within = f"within {rest[0]:.2f} dB for {rest[1]:.0f} s   " if rest is not None and rest[1] >= 1.0 else ""
    return _row("level", f"{value:6.2f} dBFS   {volts}{within}{level_hint(board.peak_fs)}")


def _advice(board: Board) -> str:
    """Say what the readings ask for next."""
    if board.quantity == "octave":
        return _octave_advice(board)
    h2, h3 = board.median_of("h2_dbc"), board.median_of("h3_dbc")
    if not board.at_rest or h2 is None or h3 is None:
        return ""
    if h2 > h3 + _H2_LEADS_DB and h2 > -70.0:
        return f"H2 is {h2 - h3:.0f} dB over H3: go on with symmetry until it no longer falls"
    if h3 > h2 + _H2_LEADS_DB and h3 > -70.0:
        return f"H3 is {h3 - h2:.0f} dB over H2: it is the gain, not the symmetry"
    return "H2 and H3 are alike: symmetry has done what it can" if max(h2, h3) > -70.0 else "hardly any distortion"


def _octave_advice(board: Board) -> str:
    found = board.interval
    if found is None:
        return ""
    wide = "wide" if found.error_cents > 0 else "narrow"
    said = f"{abs(found.error_cents):.2f} cents {wide}, {found.alternations} alternations"
    held = board.reference.get("octave")
    if held is None or abs(held.value - found.error_cents) < 0.5:
        return said + "; turn the trimmer a little and play both again (space holds this first)"
    ratio = 2.0 ** (-found.error_cents / 1200.0)
    return said + f"; the upper note should now read {found.high_hz * ratio:.1f} Hz"


def _stands(board: Board) -> list[str]:
    if not board.findings:
        return [_row("stands", "nothing found in the last ten seconds")]
    found = sorted(board.findings.values(), key=lambda f: f.severity != "fault")
    return [_row("stands" if i == 0 else "", f"{f.severity}: {f.sentence}") for i, f in enumerate(found[:2])]


def _source(board: Board) -> list[str]:
    return [] if board.source is None else [_row("source", f"{clock(board.source.time_s)}: {board.source.sentence}")]


def _take(board: Board, around: Around) -> str:
    heard = clock(board.reading.heard_s) if board.reading is not None else "0:00"
    recorded = f"keeping {Path(around.keep).name}, {heard}" if around.keep else f"{heard}, not kept"
    gaps = f"{board.lost_s:.1f} s lost" if board.lost_s else "nothing lost"
    return f"{recorded}, {gaps}" + ("" if around.page else "   q\u00a0stop\u00a0\u00a0?\u00a0keys")


def _one_line(board: Board, width: int) -> str:
    """Return as much as there is room for: the state goes before a number is cut."""
    reading = board.reading
    if reading is None:
        return "waiting"
    if reading.state in ("lost", "silent", "over"):
        return {"lost": "nothing comes", "silent": "no tone", "over": "the interface clips"}[reading.state]
    text = number(board.quantity, board.shown(board.quantity))
    if not text:
        return f"{board.quantity}: {reading.state}"
    value = f"{'' if board.shown(board.quantity).sure else '~ '}{text} {UNIT[board.quantity]}"
    lines = (f"{board.quantity} {value} {reading.state}", f"{value} {reading.state}", value, text)
    return next((line for line in lines if len(line) <= width), "")


def can_draw(encoding: str | None) -> bool:
    """Whether a terminal's encoding has the blocks and lines."""
    try:
        "█▉▀▄●◀▶─│".encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
