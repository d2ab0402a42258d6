"""Findings and answers in words; the words themselves are in ``words.toml`` and in the kinds' records."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from listen.account import Account
from listen.findings.candidate import LEAST_SHARE, Candidate
from listen.findings.halves import half_fields
from listen.findings.kinds import kind_of, name_of
from listen.findings.measured import Measured, OddOrder, names_of
from listen.findings.types import Finding
from listen.units import format_db, format_hz, format_hz_note, format_hz_range, format_percent, format_seconds

_DIODES_NORMAL_PERCENT = 2.5
"""Third harmonic of a bare diode limiter: common practice, no source."""
_TAKE_LEVEL = ("slew-limiting", "asymmetric-clipping", "symmetric-clipping")
"""What takes level from the wave where it acts: the law of the level is read with it given back."""
_MOVES_DB = 1.0
"""From here on a level that no finding blames is said to move, not to hold: the limit of its drift."""
_NO_SINE_PERCENT = 45.0
"""A square has 43 % from H2 to H10 (its series): what has more was hardly meant as a sine."""
_TO_THE_TOP, _ONE_PITCH = 0.8, 1.03
"""A finding that ends a third of an octave below the take's highest pitch, or nearer, goes on to the top as far as the
take shows; one within half a semitone is at one note."""


@lru_cache(maxsize=1)
def words() -> dict[str, Any]:
    """Return the table of words."""
    return tomllib.loads(Path(__file__).with_name("words.toml").read_text("utf-8"))


def finding_of(
    candidate: Candidate, gain_control: str | None, half_known: bool = False, highest_hz: float | None = None
) -> Finding:
    """Put a candidate into words; halves are the circuit's where the recorder's polarity is known.

    ``highest_hz`` is the take's highest pitch: what ends below it is not told as going on upward.
    """
    sentences = kind_of(candidate.kind).sentences
    template = sentences.get(candidate.variant) or sentences["plain"]
    # what could not be measured is left out of the sentence
    said = dict.fromkeys(names_of(candidate.measured), "") | written(candidate.measured)
    said |= half_fields(candidate.half, half_known)
    said["pitch"] = format_hz_note(candidate.f0_low_hz) if candidate.f0_low_hz is not None else "an unknown pitch"
    reached = candidate.thd_percent
    said["from_onset"] = _from_onset(candidate, highest_hz)
    said["thd_reached"] = "" if reached is None else words()["thd_reached"].format(thd=format_percent(reached))
    said["normal"] = words()["normal"]["odd"] if _normal_for_diodes(candidate, gain_control) else ""
    return Finding(
        kind=candidate.kind,
        severity=candidate.severity,
        start_s=candidate.start_s,
        end_s=candidate.end_s,
        f0_low_hz=candidate.f0_low_hz,
        f0_high_hz=candidate.f0_high_hz,
        half=candidate.half,
        half_certain=candidate.half_certain,
        half_known=half_known,
        measured=candidate.measured,
        sentence=template.format_map(said),
        part=candidate.part,
    )


def _from_onset(candidate: Candidate, highest_hz: float | None) -> str:
    """From which pitch on the finding goes, and up to which where the take goes on higher."""
    onset, high = candidate.measured.evidence().get("onset_f0_hz"), candidate.f0_high_hz
    if not isinstance(onset, float):
        return ""
    text: dict[str, str] = words()["onset"]
    low = format_hz_note(onset)
    if highest_hz is None or high is None or high > _TO_THE_TOP * highest_hz:
        return text["upward"].format(low=low)
    return text["at" if high < _ONE_PITCH * onset else "to"].format(low=low, high=format_hz_note(high))


def written(numbers: Measured) -> dict[str, str]:
    """Write each number as a person reads it: the unit is in its name."""
    return {name: _written(name, value) for name, value in numbers.evidence().items()}


def _written(name: str, value: float | int | str | bool) -> str:
    if isinstance(value, str | bool):
        return str(value)
    if name in _SPECIAL:
        return _SPECIAL[name](float(value))
    for ending, write in _BY_UNIT:
        if name.endswith(ending):
            return write(float(value))
    return f"{value:g}"


_SPECIAL: Mapping[str, Callable[[float], str]] = {
    "excess_gain": lambda v: format_percent(100 * v),
    "cycles": lambda v: f"{v:.0f}",
    "places": lambda v: "one place" if v == 1 else f"{v:.0f} places",
    "ceiling_fs": lambda v: f"{v:.3f}",
    "dc_fs": lambda v: f"{100 * v:.1f} %",
    "rms_cents": lambda v: f"{v:.1f} cents",
    "drift_cents_per_min": lambda v: f"{v:+z.1f} cents",
    "mains_hz": lambda v: f"{v:.0f} Hz",
    "sample_rate_hz": lambda v: f"{v / 1000:.4g} kHz",
    "seconds": format_seconds,
    "burst_hz": lambda v: f", near {format_hz(v)}",
    "line_hz": lambda v: f", near {format_hz(v)}",
    "slope_v_per_us": lambda v: f", {v:.3g} V/us",
    "start_s": lambda v: f"{v:.2f}",
    "clean_percent": lambda v: f"{v:.0f} %",
    "rise_percent": lambda v: f"{v:.1f} %",
    "duty_percent": lambda v: f"{v:.1f} %",
    "off_percent": lambda v: f"{v:.1f} points",
    "glitch_cycle": lambda v: f"{v:.2f} of the cycle from its foot",
}
_BY_UNIT: tuple[tuple[str, Callable[[float], str]], ...] = (
    ("_percent", format_percent),
    ("_percent_us", lambda v: f"{v:.3g} % x us"),
    ("_us", lambda v: f"{v:.3g} us"),
    ("_f0_hz", format_hz_note),
    ("_at_hz", format_hz_note),
    ("low_hz", format_hz_note),
    ("high_hz", format_hz_note),
    ("_hz", format_hz),
    ("_dbc", lambda v: f"{v:.0f} dBc"),
    ("_dbfs", lambda v: f"{v:.0f} dBFS"),
    ("_db", format_db),
    ("_s", format_seconds),
)


def _normal_for_diodes(candidate: Candidate, gain_control: str | None) -> bool:
    numbers = candidate.measured
    return isinstance(numbers, OddOrder) and gain_control is None and numbers.odd_percent < _DIODES_NORMAL_PERCENT


def answers(
    summary: Mapping[str, float | None], findings: Sequence[Finding], wave: str, account: Account
) -> dict[str, str]:
    """Answer the four questions, a sentence each."""
    text = words()["answer"]
    low, high = summary["f0_low_hz"], summary["f0_high_hz"]
    if low is None or high is None:
        if account.heard.source in ("absent", "oscillator"):
            return {question: text[f"{question}_none"] for question in ("pitch", "start", "hold", "clean")}
        why = name_of(account.heard.source)
        return {q: text["not_judged"].format(why=f"{why}.") for q in ("pitch", "start", "hold", "clean")}
    out = {"pitch": _pitch(low, high, findings, text)}
    rise = summary["start_s"]
    if not account.start.shown or rise is None:
        out["start"] = text["start_hidden"]
    else:
        quick = rise < 0.1
        out["start"] = text["start_quick" if quick else "start_shown"].format(rise=format_seconds(max(rise, 0.001)))
    out["hold"] = _hold(summary, findings, account, text)
    out["clean"] = _clean(summary, findings, wave, account, text)
    return out


def _pitch(low: float, high: float, findings: Sequence[Finding], text: Mapping[str, str]) -> str:
    said = text["pitch_one" if _one_note(low, high) else "pitch_range"].format(
        low=format_hz_note(low), high=format_hz_note(high)
    )
    wavering = _named(findings, "pitch")
    return f"{said[:-1]}, but {wavering}." if wavering else said


def _one_note(low_hz: float, high_hz: float) -> bool:
    """Whether the take stays on a note, give or take a third of a semitone."""
    return high_hz < 1.02 * low_hz


def _hold(
    summary: Mapping[str, float | None], findings: Sequence[Finding], account: Account, text: Mapping[str, str]
) -> str:
    hold = _named(findings, "hold")
    if hold:
        return text["hold_bad"].format(kinds=_capital(hold))
    raw = summary["level_span_db"] or 0.0
    span = level_span(summary, account)
    key = "hold_good" if raw <= _MOVES_DB else "hold_coupled" if span <= _MOVES_DB else "hold_moves"
    shown = raw if key == "hold_moves" else min(span, raw)
    taken = _named([f for f in findings if f.kind in _TAKE_LEVEL], "clean")
    if taken and key == "hold_coupled":
        key = "hold_taken"
    level = f"{summary['level_dbfs']:.1f} dBFS"
    return text[key].format(span=format_db(shown), level=level, raw=format_db(raw), kinds=taken)


def level_span(summary: Mapping[str, float | None], account: Account) -> float:
    """Span of the level that the board gives: what the input's coupling and the wave's shape take is given back."""
    raw = summary["level_span_db"] or 0.0
    return min(raw, max(account.law.span_db, account.law.time_span_db)) if account.law is not None else raw


def _clean(
    summary: Mapping[str, float | None],
    findings: Sequence[Finding],
    wave: str,
    account: Account,
    text: Mapping[str, str],
) -> str:
    worst, median = summary["thd_worst_percent"], summary["thd_median_percent"]
    if worst is None or median is None:
        return text["clean_high"]
    causes = [f for f in findings if _has_share(f, account)]
    other_kinds = _named([f for f in findings if f not in causes], "clean")
    if causes:
        at = summary["thd_worst_f0_hz"] or 0.0
        said = text["clean_bad"].format(
            thd=format_percent(worst), pitch=format_hz_note(at), kinds=_named(causes, "clean")
        )
    elif wave == "sine":
        harmonics = f"{summary['thd_harmonics'] or 0:.0f}"
        said = text["clean_good"].format(thd=format_percent(worst), median=format_percent(median), harmonics=harmonics)
    elif other_kinds and wave != "any":
        return text["clean_bent"].format(kinds=_capital(other_kinds), thd=format_percent(median))
    else:
        said = text.get(f"clean_{wave}", text["clean_any"]).format(thd=format_percent(median))
    if other_kinds:
        said = f"{said} {text['clean_also'].format(kinds=other_kinds)}"
    if wave == "sine" and median > _NO_SINE_PERCENT:
        said = f"{said} {text['clean_other']}"
    return said


def _has_share(finding: Finding, account: Account) -> bool:
    """Whether a finding's part makes a tenth or more of the worst distortion's square."""
    if finding.severity == "note" or kind_of(finding.kind).question != "clean":
        return False
    total = sum(share.value**2 for share in account.shares.thd)
    own = sum(share.value**2 for share in account.shares.thd if share.part == finding.part and share.part is not None)
    return own > LEAST_SHARE * total


def _named(findings: Sequence[Finding], question: str) -> str:
    reported = [f for f in findings if kind_of(f.kind).question == question and f.severity != "note"]
    return ", ".join(dict.fromkeys(name_of(f.kind) for f in reported))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def headline(findings: Sequence[Finding], summary: Mapping[str, float | None], wave: str, account: Account) -> str:
    """One sentence a builder would say."""
    text: dict[str, str] = words()["headline"]
    reported = [f for f in findings if f.severity != "note"]
    if reported:
        rest = len(reported) - 1
        one_kind = all(f.kind == reported[0].kind for f in reported)
        key = "one" if rest == 1 else "same" if one_kind else "more"
        more = "" if rest == 0 else text["more_" + key].format(count=rest)
        return reported[0].sentence + more
    low, high = summary["f0_low_hz"], summary["f0_high_hz"]
    if low is None or high is None:
        return text["pass_none"]
    thd = summary["thd_worst_percent"]
    which = "pass_sine" if wave == "sine" and thd is not None and not math.isnan(thd) else "pass_other"
    return text[which].format(
        range=format_hz_note(low) if _one_note(low, high) else format_hz_range(low, high),
        span=format_db(level_span(summary, account)),
        thd=format_percent(thd or 0.0),
    )
