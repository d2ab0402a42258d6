"""The headline, the verdict on the fix, and what must be known to read the rest."""

from __future__ import annotations

import math
from collections.abc import Sequence

from listen.findings import half_name, name_of
from listen.report.comparing.blind_takes import BlindTakes, came_to_life, is_of_the_take
from listen.report.comparing.finding_status import words
from listen.report.comparing.types import ComparedFinding, ComparedRow, Document, FixVerdict
from listen.report.words import third
from listen.units import format_db, format_hz, format_hz_range, format_percent

LEAST_CHANGE_DB = 1.0
"""A smaller change of distortion is said to be none: about what a trimmer's touch makes."""
_LEAST_OFFSET_DB = 0.5
_SAME_LOSS = 0.3
_NARROW = 0.75


def change_words(
    rows: Sequence[ComparedRow], before: Document, after: Document, findings: Sequence[ComparedFinding]
) -> str:
    """Say the largest change: of distortion at a pitch, or of the level where only that was wrong.

    Parameters
    ----------
    rows : sequence of ComparedRow
    before, after : mapping
    findings : sequence of ComparedFinding

    Returns
    -------
    str
    """
    said = words()["change"]
    drift = next((finding for finding in findings if finding.kind == "level-drift"), None)
    only_level = drift is not None and not any(_is_shape(finding.kind) for finding in findings)
    spans = _spans(before, after)
    if only_level and spans:
        key = "span" if spans[1] < spans[0] else "span_worse"
        return str(said[key].format(before=format_db(spans[0]), after=format_db(spans[1])))
    known = [row for row in rows if row.thd_change_db is not None]
    if not known:
        return str(said["none"])
    # Where there is most distortion the change matters most.
    chosen = max(known, key=lambda row: max(row.before["thd_percent"] or 0.0, row.after["thd_percent"] or 0.0))
    change_db = chosen.thd_change_db or 0.0
    key = "fell" if change_db < -LEAST_CHANGE_DB else "rose" if change_db > LEAST_CHANGE_DB else "same"
    return str(
        said[key].format(
            pitch=format_hz(third(chosen.f0_low_hz, chosen.f0_high_hz)),
            before=format_percent(chosen.before["thd_percent"] or math.nan),
            after=format_percent(chosen.after["thd_percent"] or math.nan),
        )
    )


def headline_of(
    verdict: FixVerdict, findings: Sequence[ComparedFinding], change: str, overlap: bool, blind: BlindTakes
) -> str:
    """Return the one sentence on top."""
    said = words()
    whole = ""
    gone, new = [], []
    for finding in findings:
        if "attention" not in (finding.severity_before, finding.severity_after) and "fault" not in (
            finding.severity_before,
            finding.severity_after,
        ):
            continue
        of_the_take = is_of_the_take(finding.kind) and not came_to_life(finding)
        if of_the_take or (blind.before and finding.fate == "not-shown-before"):
            continue
        if finding.fate == "swapped":
            whole += said["whole"]["swapped"].format(before=_before(finding), after=_after(finding))
        elif finding.fate == "gone" and finding.kind == "asymmetric-clipping" and finding.half_before:
            whole += said["whole"]["half"].format(half=_before(finding))
        elif finding.fate == "gone" and finding.kind == "symmetric-clipping":
            whole += said["whole"]["both"]
        elif finding.fate == "gone":
            gone.append(name_of(finding.kind))
        elif finding.fate in ("new", "not-shown-before"):
            new.append(name_of(finding.kind))
    if gone:
        whole += said["whole"]["gone"].format(kinds=", ".join(gone))
    if new:
        whole += said["whole"]["new"].format(kinds=", ".join(new))
    if why := _blind_words(blind):
        name = said["verdict"][verdict]
        return str(said["headline"]["blind"].format(verdict=f"{name[:1].upper()}{name[1:]}", why=why, whole=whole))
    if not overlap:
        return str(said["headline"]["no_overlap"].format(whole=whole))
    return str(said["headline"][verdict].format(change=change, whole=whole))


def _before(finding: ComparedFinding) -> str:
    return half_name(finding.half_before, bool(finding.half_known_before))


def _after(finding: ComparedFinding) -> str:
    return half_name(finding.half_after, bool(finding.half_known_after))


def _blind_words(blind: BlindTakes) -> str:
    """Say why the takes cannot show the board; empty where they can."""
    said = words()["blind"]
    sides = (("before", blind.before), ("after", blind.after))
    return ", and ".join(said[why].format(which=said[side]) for side, why in sides if why)


def advice_of(verdict: FixVerdict, blind: BlindTakes) -> str:
    """Return the verdict on the fix in a sentence."""
    only_the_first = blind.before is not None and blind.after is None
    return str(words()["advice"]["open_before" if verdict == "open" and only_the_first else verdict])


def remarks_of(
    before: Document,
    after: Document,
    findings: Sequence[ComparedFinding],
    offset_db: float | None,
    rows: Sequence[ComparedRow],
    blind: BlindTakes,
) -> tuple[str, ...]:
    """Return what must be known to read the comparison."""
    said, out = words()["remark"], []
    for side, why in (("before", blind.before), ("after", blind.after)):
        if why and rows:
            out.append(said["blind"].format(which=words()["blind"][side]))
    for finding in findings:
        if finding.fate == "swapped" and finding.before and finding.after:
            apart = abs(finding.before - finding.after) / max(finding.before, finding.after)
            if apart <= _SAME_LOSS:
                out.append(said["swapped"])
    if offset_db is not None and abs(offset_db) >= _LEAST_OFFSET_DB:
        out.append(said["louder" if offset_db > 0 else "quieter"].format(db=format_db(abs(offset_db))))
    if rows and len(rows) < _NARROW * max(len(before["sweep"]), len(after["sweep"])):
        out.append(said["narrow"].format(range=format_hz_range(rows[0].f0_low_hz, rows[-1].f0_high_hz)))
    for key, name in (("wave", "waves"), ("gain_control", "gain")):
        a, b = before["settings"].get(key), after["settings"].get(key)
        if a != b:
            out.append(said[name].format(before=a or "none", after=b or "none"))
    return tuple(out)


def _spans(before: Document, after: Document) -> tuple[float, float] | None:
    a, b = before["summary"].get("level_span_db"), after["summary"].get("level_span_db")
    return None if a is None or b is None else (float(a), float(b))


def _is_shape(kind: str) -> bool:
    return kind.endswith(("-clipping", "-distortion")) or kind == "slew-limiting"
