"""Findings that look alike: which of two it is. One cause is said once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from listen.capture import Capture
from listen.findings import between
from listen.findings.draft import Draft
from listen.findings.limits import Limits, severity_of
from listen.sorting import median, median_of_known
from listen.track import HUM_LINES_HZ, Frames

_BESIDE_HZ = 1.5
"""A rate that is so near to a distance of two lines is the rate at which they beat."""
_BEATS_FROM = 0.35
"""A tone that beats with a mains line swings in pitch as much as in level; a hunting level hardly does."""
_LINES_OWN = 1.2
"""A beating tone swings by the line's own amplitude at the most; a fifth more is what the two are measured apart."""
_DEEP_PERCENT = 5.0
_HUM_ORDERS = 3
_RESOLVED_HZ = 1.0
"""Lines are read over a second."""
_NEAR_HZ = 125.0
"""Lines further off are smoothed out by the envelope's short frames of 8 ms."""
_LOW_NOTES_HZ = 250.0
"""Above it no harmonic but the first lies among the mains lines that matter."""
_WORD_NOISE_DBFS = {"PCM_U8": -49.9, "PCM_S8": -49.9, "ULAW": -42.0, "ALAW": -42.0}
"""Rounding noise under a full-scale sine: 6.02 n + 1.76 dB for n bits; companded words from memory."""
_AGAIN, _APART_S, _SHORT_S, _UNEVEN = 4, 1.0, 0.3, 0.4
"""Dropouts so many, so near, so short and so evenly spaced are a level that swings."""
_VERY_DEEP_PERCENT = 20.0
_FEW_SAMPLES = 4
_LEAVES_DB = 26.0
"""So far under the sidebands of a swing its frames leave lines of their own."""


def hunting_or_hum(hunts: list[Draft], hums: list[Draft]) -> tuple[list[Draft], list[Draft]]:
    """Hunting and hum as they stand when each has what is its own.

    Parameters
    ----------
    hunts, hums : list of Draft
        None or one of each.
    """
    if not hunts or not hums:
        return hunts, hums
    hunt, hum = hunts[0], hums[0]
    if not _at_mains_distance(hunt, hum):
        return hunts, [] if _of_the_hunting(hum, hunt) else hums
    if _beats(hunt, hum):
        return [], hums
    return hunts, hums if _stands_alone(hum, hunt) else []


def dying_or_hunting(
    died: list[Draft], dips: list[Draft], hunts: list[Draft], limits: Limits
) -> tuple[list[Draft], list[Draft]]:
    """Take a tone that dies again and again, evenly, for one whose level hunts.

    Parameters
    ----------
    died, dips : list of Draft
        Where it falls silent, and where too shortly to be told.
    hunts : list of Draft
        None or one.
    limits : mapping

    Returns
    -------
    died, hunts : list of Draft
    """
    left, runs = list(died), _even_runs(sorted([*died, *dips], key=lambda d: d.start_s))
    for run in runs:
        depth = 10 ** (-median(np.array([float(d.evidence["depth_db"]) for d in run])) / 20)
        percent = 100 * (1 - depth) / (1 + depth)
        severity = severity_of(percent, limits["amplitude-hunting"])
        if severity is None:
            continue
        gap_s = median(np.diff([d.start_s for d in run]))
        low = [d.f0_low_hz for d in run if d.f0_low_hz]
        high = [d.f0_high_hz for d in run if d.f0_high_hz]
        facts = {"depth_percent": percent, "rate_hz": 1.0 / gap_s, "worst_at_hz": median(np.array(low or [0.0]))}
        whole = Draft(
            kind="amplitude-hunting",
            severity=severity,
            start_s=max(0.0, run[0].start_s - 0.5 * gap_s),
            end_s=run[-1].end_s + 0.5 * gap_s,
            f0_low_hz=min(low, default=None),
            f0_high_hz=max(high, default=None),
            evidence={**facts, "rests": 1, "follows_pitch": 0.0, "rests_seen": 1},
        )
        hunts = [_joined(hunts[0], whole)] if hunts else [whole]
        # one between two runs is of the same swing
        left = [d for d in left if d not in run and not (d.evidence.get("comes_back") and _within(d, hunts[0]))]
    return left, hunts


def _within(inner: Draft, outer: Draft) -> bool:
    return outer.start_s < inner.start_s and inner.end_s < outer.end_s


def _even_runs(died: list[Draft]) -> list[list[Draft]]:
    """Runs of four or more short dropouts that follow one another at about the same distance."""
    runs: list[list[Draft]] = []
    run: list[Draft] = []
    for draft in died:
        short = bool(draft.evidence.get("comes_back")) and float(draft.evidence.get("seconds", 1.0)) < _SHORT_S
        gap_s = draft.start_s - run[-1].start_s if run else 0.0
        usual_s = median(np.diff([d.start_s for d in run])) if len(run) > 1 else gap_s
        if short and run and gap_s < _APART_S and abs(gap_s - usual_s) < _UNEVEN * usual_s:
            run.append(draft)
            continue
        runs.append(run)
        run = [draft] if short else []
    return [one for one in [*runs, run] if len(one) >= _AGAIN]


def _joined(one: Draft, other: Draft) -> Draft:
    """The deeper of two drafts of hunting, over the time and the pitches of both."""
    deeper = max((one, other), key=lambda d: float(d.evidence["depth_percent"]))
    low = [d.f0_low_hz for d in (one, other) if d.f0_low_hz is not None]
    high = [d.f0_high_hz for d in (one, other) if d.f0_high_hz is not None]
    return replace(
        deeper,
        start_s=min(one.start_s, other.start_s),
        end_s=max(one.end_s, other.end_s),
        f0_low_hz=min(low, default=None),
        f0_high_hz=max(high, default=None),
    )


def is_of_the_swing(draft: Draft, hunts: list[Draft]) -> bool:
    """Whether a sample or two that seem to be lost are a level that swings deeply."""
    if not hunts or draft.kind != "capture-gap" or float(hunts[0].evidence["depth_percent"]) < _VERY_DEEP_PERCENT:
        return False
    few = int(draft.evidence.get("lost_samples", 0)) <= _FEW_SAMPLES
    return few and draft.evidence.get("kinds") == "skipped"


def _stands_alone(hum: Draft, hunt: Draft) -> bool:
    """Whether the strongest mains line is no sideband of the hunting."""
    strongest, tone = float(hum.evidence["strongest_hz"]), float(hunt.evidence["worst_at_hz"])
    beside = abs(abs(strongest - tone) - float(hunt.evidence["rate_hz"])) < _BESIDE_HZ
    return not (hum.evidence["as_sidebands"] or _far_under(hum, hunt) or beside)


def _far_under(hum: Draft, hunt: Draft) -> bool:
    """Whether a mains line is so far under the sidebands of a swing that the swing leaves as much there itself."""
    sideband_dbc = 20 * float(np.log10(float(hunt.evidence["depth_percent"]) / 200))
    return float(hum.evidence["level_dbc"]) < sideband_dbc - _LEAVES_DB


def _at_mains_distance(hunt: Draft, hum: Draft) -> bool:
    """Whether the level swings at the distance of the tone from a mains line, or at the mains' own rate."""
    mains = float(hum.evidence["mains_hz"])
    off = abs(float(hunt.evidence["worst_at_hz"]) % mains)
    rate = float(hunt.evidence["rate_hz"])
    beats = (off, mains - off, mains)
    return any(abs(rate - beat) < _BESIDE_HZ for beat in beats)


def _beats(hunt: Draft, hum: Draft) -> bool:
    """Whether a mains line beside the tone makes it swing: as much in pitch as in level, or no more than the line is.

    A level that hunts has two sidebands, each half as large as its swing.
    """
    line_percent = 100 * 10 ** (float(hum.evidence["level_dbc"]) / 20)
    return (
        float(hunt.evidence["follows_pitch"]) > _BEATS_FROM
        or float(hunt.evidence["depth_percent"]) < _LINES_OWN * line_percent
    )


def _of_the_hunting(hum: Draft, hunt: Draft) -> bool:
    """Deep hunting leaves lines all over the low notes, and sidebands at multiples of its rate.

    Hum is strongest in its first three lines, and is there in silence too.
    """
    if float(hunt.evidence["depth_percent"]) < _DEEP_PERCENT or hum.evidence["in_silence"]:
        return False
    strongest, rate = float(hum.evidence["strongest_hz"]), float(hunt.evidence["rate_hz"])
    if _far_under(hum, hunt):
        return True
    if hum.evidence["as_sidebands"]:
        return abs(strongest - rate * round(strongest / rate)) < _RESOLVED_HZ
    return round(strongest / float(hum.evidence["mains_hz"])) > _HUM_ORDERS


def _is_hums(shape: Draft, hums: list[Draft]) -> bool:
    """Whether the harmonics of a low note are mains lines that lie at them."""
    if not hums or shape.kind not in ("even-order-distortion", "odd-order-distortion"):
        return False
    percent = max(float(shape.evidence.get(key, 0.0)) for key in ("even_percent", "odd_percent"))
    line_percent = 100 * 10 ** (float(hums[0].evidence["level_dbc"]) / 20)
    return (shape.f0_high_hz or 0.0) < _LOW_NOTES_HZ and percent < 0.5 * line_percent


def own_shapes(shapes: list[Draft], bursts: list[Draft], hums: list[Draft], halves: list[Draft]) -> list[Draft]:
    """Findings of shape less those that a burst, mains lines or alternate cycles account for."""
    left = _without_bursts(shapes, bursts)
    return [d for d in left if not (_is_hums(d, hums) or _is_of_the_halves(d, halves))]


def _is_of_the_halves(shape: Draft, halves: list[Draft]) -> bool:
    """Whether alternate cycles that differ explain a small departure of the mean cycle: it is read over few of them."""
    keys = ("crest_loss_percent", "even_percent", "odd_percent")
    percent = max(float(shape.evidence.get(key, 0.0)) for key in keys)
    return shape.kind not in ("slew-limiting", "crossover-distortion") and any(
        half.start_s < shape.end_s
        and half.end_s > shape.start_s
        and percent < 50 * 10 ** (float(half.evidence["level_dbc"]) / 20)
        for half in halves
    )


def is_recordings(burst: Draft, hums: list[Draft], capture: Capture, frames: Frames) -> bool:
    """What hum leaves beside the tone, or the rounding of short words, is no burst of the circuit's."""
    if hums and float(burst.evidence.get("burst_hz", 1e6)) < 700.0:
        return True
    floor = _WORD_NOISE_DBFS.get(capture.subtype)
    level = float(burst.evidence["burst_rms_dbc"]) + median_of_known(frames.fundamental_dbfs)
    return floor is not None and level < floor + 6.0


def is_burst(half: Draft, bursts: list[Draft]) -> bool:
    """A burst that falls between the harmonics may fall on a half order: said once."""
    return any(
        b.start_s < half.end_s
        and b.end_s > half.start_s
        and float(b.evidence["burst_rms_dbc"]) > float(half.evidence["level_dbc"]) + 2.0
        for b in bursts
    )


def is_sideband(half: Draft, hunts: list[Draft]) -> bool:
    """In frames of few cycles the sidebands of a hunting level reach the half orders."""
    if not hunts:
        return False
    sideband_dbc = 20 * np.log10(max(float(hunts[0].evidence["depth_percent"]), 1e-6) / 200)
    return (half.f0_low_hz or 0.0) < 20.0 * float(hunts[0].evidence["rate_hz"]) and (
        float(half.evidence["level_dbc"]) < sideband_dbc
    )


def _without_bursts(shapes: list[Draft], bursts: list[Draft]) -> list[Draft]:
    """A burst that rides on the crest is no flattening: shape that a burst of like size explains is not said twice."""
    kept = []
    for draft in shapes:
        crest = draft.kind in ("asymmetric-clipping", "symmetric-clipping", "crossover-distortion")
        size = max(
            float(draft.evidence.get(key, 0.0))
            for key in ("crest_loss_percent", "even_percent", "odd_percent", "dead_band_percent")
        )
        covered = any(
            b.start_s <= draft.end_s
            and b.end_s >= draft.start_s
            and 100 * 10 ** (float(b.evidence["burst_rms_dbc"]) / 20) * (4.0 if crest else 0.7) > size
            for b in bursts
        )
        if not covered:
            kept.append(draft)
    return kept


def explained_cents(frames: Frames, hums: list[Draft], f0_hz: float) -> float:
    """R.m.s. cents by which the mains moves a pitch: from its sidebands' level, or from the lines beside the tone.

    A line d Hz from the tone and r times as large turns its phase by r at d Hz: its pitch by r d.
    """
    if not hums:
        return 0.0
    if hums[0].evidence["as_sidebands"]:
        lines = np.array([10 ** (float(hums[0].evidence["level_dbc"]) / 20) * 2])
        away = np.array([float(hums[0].evidence["strongest_hz"])])
    else:
        level = median_of_known(frames.fundamental_dbfs)
        lines = 10 ** ((between.line_levels(frames) - level) / 20)
        away = np.abs(HUM_LINES_HZ - f0_hz)
    near = away < _NEAR_HZ
    return float(1200 / np.log(2) * np.sqrt(np.sum((lines[near] * away[near]) ** 2) / 2) / max(f0_hz, 1.0))
