"""Findings and answers in words; the words themselves are in ``wording.toml``."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from listen.findings.draft import Draft
from listen.findings.types import Finding
from listen.units import format_db, format_hz, format_hz_note, format_percent, format_seconds

Evidence = Mapping[str, float | int | str | bool]


@lru_cache(maxsize=1)
def words() -> dict[str, Any]:
    """Return the table of words."""
    return tomllib.loads(Path(__file__).with_name("wording.toml").read_text("utf-8"))


def finding_of(draft: Draft, volts_per_full_scale: float | None, gain_control: str | None) -> Finding:
    """Put a draft into words."""
    sentences = words()["kind"][draft.kind]
    template = sentences.get(draft.variant, sentences.get("plain"))
    facts = dict(draft.evidence)
    if "slope_fs_per_s" in facts:
        slope = float(facts.pop("slope_fs_per_s"))
        if volts_per_full_scale:
            facts["slope_v_per_us"] = slope * volts_per_full_scale * 1e-6
    return Finding(
        kind=draft.kind,
        severity=draft.severity,
        start_s=draft.start_s,
        end_s=draft.end_s,
        f0_low_hz=draft.f0_low_hz,
        f0_high_hz=draft.f0_high_hz,
        half=draft.half,
        half_certain=draft.half_certain,
        evidence=facts,
        sentence=template.format(**_said(draft, facts, gain_control)),
    )


def _said(draft: Draft, facts: Evidence, gain_control: str | None) -> dict[str, str]:
    """Write each number of the evidence as a person reads it."""
    said: dict[str, str] = {"half": draft.half or "one"}
    writers = {
        "loss": ("crest_loss_percent", format_percent),
        "thd": ("thd_worst_percent", format_percent),
        "even": ("even_percent", format_percent),
        "odd": ("odd_percent", format_percent),
        "dead": ("dead_band_percent", format_percent),
        "short": ("slope_short_percent", format_percent),
        "longer": ("longer_part_percent", format_percent),
        "onset": ("onset_f0_hz", format_hz_note),
        "rise": ("rise_s", format_seconds),
        "span": ("span_db", format_db),
        "lowest": ("lowest_at_hz", format_hz_note),
        "highest": ("highest_at_hz", format_hz_note),
        "deviation": ("deviation_db", format_db),
        "settle": ("settle_s", format_seconds),
        "seconds": ("seconds", format_seconds),
        "rate": ("rate_hz", format_hz),
        "strongest": ("strongest_hz", format_hz),
        "third": ("third_harmonic_to_hz", format_hz),
    }
    for name, (key, write) in writers.items():
        if key in facts:
            said[name] = write(float(facts[key]))
    if "depth_db" in facts:
        said["depth"] = format_db(float(facts["depth_db"]))
    if "depth_percent" in facts:
        said["depth"] = format_percent(float(facts["depth_percent"]))
    if draft.f0_low_hz is not None:
        said["pitch"] = format_hz_note(draft.f0_low_hz)
    said.setdefault("pitch", "an unknown pitch")
    level = facts.get("burst_rms_dbc", facts.get("level_dbc"))
    if level is not None:
        said["level"] = f"{float(level):.0f} dBc"
    if "level_dbfs" in facts:
        said["level"] = f"{float(facts['level_dbfs']):.0f} dBFS"
    said["where"] = f", near {format_hz(float(facts['burst_hz']))}" if "burst_hz" in facts else ""
    said["slope"] = f", {float(facts['slope_v_per_us']):.3g} V/us" if "slope_v_per_us" in facts else ""
    said["normal"] = words()["normal"]["odd"] if _normal_for_diodes(draft, gain_control) else ""
    said["excess"] = format_percent(100 * float(facts.get("excess_gain", 0.0)))
    said["cycles"] = f"{float(facts.get('cycles', 0)):.0f}"
    said["mains"] = f"{float(facts.get('mains_hz', 0)):.0f} Hz"
    said["rms"] = f"{float(facts.get('rms_cents', 0)):.1f} cents"
    said["drift"] = f"{float(facts.get('drift_cents_per_min', 0)):+.1f} cents"
    said["tops"] = f"{int(facts.get('tops', 0))}"
    said["ceiling"] = f"{float(facts.get('ceiling_fs', 0)):.3f}"
    said["lost"] = f"{int(facts.get('lost_samples', 0))}"
    places = int(facts.get("places", 0))
    said["places"] = "one place" if places == 1 else f"{places} places"
    said["kinds"] = str(facts.get("kinds", ""))
    said["dc"] = f"{100 * float(facts.get('dc_fs', 0)):.1f} %"
    if "sample_rate_hz" in facts:
        said["rate"] = f"{float(facts['sample_rate_hz']) / 1000:.4g} kHz"
    return said


def _normal_for_diodes(draft: Draft, gain_control: str | None) -> bool:
    odd = float(draft.evidence.get("odd_percent", 0.0))
    return draft.kind == "odd-order-distortion" and gain_control is None and odd < 2.5


def answers(
    summary: Mapping[str, float | None], findings: tuple[Finding, ...], wave: str, start_shown: bool
) -> dict[str, str]:
    """Answer the four questions, a sentence each."""
    text = words()["answer"]
    low, high = summary["f0_low_hz"], summary["f0_high_hz"]
    if low is None or high is None:
        return {
            "pitch": text["pitch_none"],
            "start": text["start_none"],
            "hold": text["hold_none"],
            "clean": text["clean_none"],
        }
    out = {}
    one = high < 1.02 * low
    out["pitch"] = text["pitch_one" if one else "pitch_range"].format(
        low=format_hz_note(low), high=format_hz_note(high)
    )
    wavering = _named(findings, ("pitch-instability",))
    if wavering:
        out["pitch"] = out["pitch"][:-1] + f", but {wavering}."
    start = summary["start_s"]
    if not start_shown or start is None:
        out["start"] = text["start_hidden"]
    else:
        out["start"] = text["start_quick" if start < 0.1 else "start_shown"].format(
            rise=format_seconds(max(start, 0.001))
        )
    hold = _named(findings, ("oscillation-dropout", "amplitude-hunting", "amplitude-bounce", "level-drift"))
    span = format_db(summary["level_span_db"] or 0.0)
    level = f"{summary['level_dbfs']:.1f} dBFS"
    moves = (summary["level_span_db"] or 0.0) > _MOVES_DB
    good = text["hold_moves" if moves else "hold_good"]
    out["hold"] = text["hold_bad"].format(kinds=_capital(hold)) if hold else good.format(span=span, level=level)
    out["clean"] = _clean(summary, findings, wave, text)
    return out


_MOVES_DB = 1.0
"""From here on a level that no finding blames is said to move, not to hold."""
_NO_SINE_PERCENT = 45.0
"""A square has 43 % from H2 to H10 (its series): what has more was hardly meant as a sine."""
_UNCLEAN = (
    "asymmetric-clipping",
    "symmetric-clipping",
    "even-order-distortion",
    "odd-order-distortion",
    "crossover-distortion",
    "slew-limiting",
    "parasitic-oscillation",
    "subharmonic",
    "mains-hum",
)


def _clean(
    summary: Mapping[str, float | None], findings: tuple[Finding, ...], wave: str, text: Mapping[str, str]
) -> str:
    worst, median = summary["thd_worst_percent"], summary["thd_median_percent"]
    if worst is None or median is None:
        return text["clean_high"]
    unclean = _named(findings, _UNCLEAN)
    if unclean:
        at = summary["thd_worst_f0_hz"] or 0.0
        bad = text["clean_bad"].format(thd=format_percent(worst), pitch=format_hz_note(at), kinds=unclean)
        return f"{bad} {text['clean_other']}" if wave == "sine" and median > _NO_SINE_PERCENT else bad
    if wave != "sine":
        return text.get(f"clean_{wave}", text["clean_any"]).format(thd=format_percent(median))
    harmonics = f"{summary['thd_harmonics'] or 0:.0f}"
    return text["clean_good"].format(thd=format_percent(worst), median=format_percent(median), harmonics=harmonics)


def _named(findings: tuple[Finding, ...], kinds: tuple[str, ...]) -> str:
    names = words()["name"]
    told = dict.fromkeys(names[f.kind] for f in findings if f.kind in kinds and f.severity != "note")
    return ", ".join(told)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def headline(findings: tuple[Finding, ...], summary: Mapping[str, float | None], wave: str) -> str:
    """One sentence a builder would say."""
    text: dict[str, str] = words()["headline"]
    told = [f for f in findings if f.severity != "note"]
    if told:
        rest = len(told) - 1
        more = "" if rest == 0 else (text["more_one"] if rest == 1 else text["more"].format(count=rest))
        return told[0].sentence + more
    low, high = summary["f0_low_hz"], summary["f0_high_hz"]
    if low is None or high is None:
        return text["pass_none"]
    thd = summary["thd_worst_percent"]
    which = "pass_sine" if wave == "sine" and thd is not None and not math.isnan(thd) else "pass_other"
    return text[which].format(
        low=format_hz_note(low),
        high=format_hz_note(high),
        span=format_db(summary["level_span_db"] or 0.0),
        thd=format_percent(thd or 0.0),
    )
