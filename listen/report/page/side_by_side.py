"""Both takes of a comparison at one pitch: their mean cycles laid over each other, and their sound at one gain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listen.report.page.chart import Chart, Line
from listen.report.page.cycle_charts import common_ends, cycle_chart_lines, residue_of, worst_cycle
from listen.report.page.cycles import MeanCycle, cycle_near, mean_cycles
from listen.report.page.sounds import Player, gain_words, player_of
from listen.report.page.wording import say
from listen.report.sound import Excerpt, at_gain, excerpts
from listen.report.views import CheckView
from listen.report.words import interval
from listen.units import format_hz_note, format_percent

SECONDS = 1.0
_NEAREST_OCTAVES = 0.1
"""Cycles further apart in pitch are not laid over each other."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideBySide:
    """What both takes look and sound like at one pitch."""

    charts: tuple[Chart, ...]
    players: tuple[Player, ...]


def side_by_side(takes: tuple[CheckView, CheckView]) -> SideBySide | None:
    """Return cycles and sounds of both takes, where the first of them departs most from its wave.

    Parameters
    ----------
    takes : (CheckResult, CheckResult)
        Before and after.

    Returns
    -------
    SideBySide or None
        None where they share no pitch at which a cycle can be rebuilt.
    """
    before, after = takes
    pairs = []
    for cycle in mean_cycles(before.capture, before.frames):
        other = cycle_near(after.capture, after.frames, cycle.f0_hz)
        if other is not None and abs(np.log2(other.f0_hz / cycle.f0_hz)) <= _NEAREST_OCTAVES:
            pairs.append((cycle, other))
    if not pairs:
        return None
    pair = pairs[worst_cycle([first for first, _ in pairs], before.wave)]
    return SideBySide(charts=_charts(pair, takes), players=_players(pair, takes))


def _charts(pair: tuple[MeanCycle, MeanCycle], takes: tuple[CheckView, CheckView]) -> tuple[Chart, ...]:
    """Draw both cycles, what is wrong with the first marked, and both residues."""
    wave, pitch = takes[0].wave, format_hz_note(pair[0].f0_hz)
    findings = takes[0].judgement.findings
    ends = common_ends(pair, wave, findings)
    areas, lines = cycle_chart_lines(pair, wave, findings)
    degrees = np.linspace(0.0, 360.0, len(pair[0].y) + 1)
    residues = [residue_of(cycle, wave) for cycle in pair]
    most = [format_percent(100.0 * float(np.max(np.abs(residue)))) for residue in residues]
    common = {"x": degrees, "x_axis": "degrees", "x_label": say("axis.degrees"), "y_label": say("axis.ratio")}
    return (
        Chart(
            name="cycle",
            title=say("compare.cycle", pitch=pitch),
            alt=say("compare.cycle_alt", **_crests(pair)),
            lines=lines,
            areas=areas,
            y_range=ends.cycle,
            decimals=3,
            **common,  # type: ignore[arg-type]
        ),
        Chart(
            name="residue",
            title=say("compare.residue", pitch=pitch),
            alt=say("compare.residue_alt", before=most[0], after=most[1]),
            lines=tuple(
                Line(label=label, y=np.append(y, y[0]), ink=ink, dash=dash)  # type: ignore[arg-type]
                for (label, ink, dash), y in zip(_looks(), residues, strict=True)
            ),
            y_range=ends.residue,
            decimals=4,
            **common,  # type: ignore[arg-type]
        ),
    )


def _looks() -> tuple[tuple[str, str, str], ...]:
    return (say("line.before"), "second", "dashed"), (say("line.after"), "first", "solid")


def _crests(pair: tuple[MeanCycle, MeanCycle]) -> dict[str, str]:
    sides = ("before", "after")
    return {
        **{f"{side}_positive": f"{cycle.y.max():.3f}" for side, cycle in zip(sides, pair, strict=True)},
        **{f"{side}_negative": f"{-cycle.y.min():.3f}" for side, cycle in zip(sides, pair, strict=True)},
    }


def _players(pair: tuple[MeanCycle, MeanCycle], takes: tuple[CheckView, CheckView]) -> tuple[Player, ...]:
    """Sounds of both takes round the two cycles, each kind at one gain: what is louder on the board is louder here."""
    sides: list[dict[str, Excerpt]] = []
    for cycle, take in zip(pair, takes, strict=True):
        first_s = take.capture.start_sample / take.capture.sample_rate_hz
        last_s = take.capture.stop_sample / take.capture.sample_rate_hz
        start_s = max(first_s, min(cycle.time_s - 0.5 * SECONDS, last_s - SECONDS))
        found = excerpts(take.capture, take.frames.envelope, start_s, start_s + SECONDS)
        sides.append({sound.kind: sound for sound in found if len(sound.samples)})
    out = []
    for kind in ("second", "residue"):
        if not all(kind in side for side in sides):
            continue
        gain_db = min(side[kind].gain_db for side in sides)
        for side, (label, _, _) in zip(sides, _looks(), strict=True):
            sound = at_gain(side[kind], gain_db)
            where, gain = interval(sound.start_s, sound.end_s), gain_words(sound.gain_db)
            out.append(player_of(sound, say(f"compare.{kind}_sound", side=label, where=where, gain=gain)))
    return tuple(out)
