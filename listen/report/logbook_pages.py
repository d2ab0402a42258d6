"""The pages of the logbook: the builds, one build's history, one entry, the drift of a table."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from listen.logbook.temperature import temperature_trend
from listen.report.drawing import dot, lane_ends
from listen.report.logbook_words import change, circumstances, drift_sentences, moment, shown, summary, trend_sentence
from listen.report.paper import Ink, Paper
from listen.units import format_hz, note_number

if TYPE_CHECKING:
    from listen.logbook import BuildLine, Drift, Entry, NoteDrift

_INKS: dict[str, Ink] = {"pass": "good", "attention": "mind", "fault": "bad"}
_LANE = 21
_MOST_NOTES = 14


def builds_page(builds: Sequence[BuildLine], path: str | os.PathLike[str], paper: Paper | None = None) -> str:
    """Return the list of all builds, the one measured last first."""
    paper = paper or Paper()
    lines = [paper.rule("┬"), *paper.write(os.fspath(path), label="logbook")]
    for build in builds:
        lines.append(paper.line())
        lines += paper.write(shown(build.name), label="build", text_ink="strong")
        counts = ((build.checks, "check"), (build.calibrations, "calibration"), (build.notes, "note"))
        facts = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in counts if n)
        lines += paper.write(facts or "nothing stands", text_ink="faint")
        if build.last is not None:
            lines += _entry(build.last, paper)
    return paper.finish([*lines, paper.rule("┴")])


def history_page(build: str, entries: Sequence[Entry], paper: Paper | None = None) -> str:
    """Return the history of one build, oldest first."""
    paper = paper or Paper()
    lines = [paper.rule("┬"), *paper.write(shown(build), label="build", text_ink="strong")]
    for entry in entries:
        lines.append(paper.line())
        lines += _entry(entry, paper)
    return paper.finish([*lines, paper.rule("┴")])


def entry_page(entry: Entry, paper: Paper | None = None) -> str:
    """Return one entry, with what its document says in short."""
    paper = paper or Paper()
    document = entry.document
    lines = [paper.rule("┬"), *paper.write(shown(entry.build), label="build", text_ink="strong"), paper.line()]
    lines += _entry(entry, paper)
    captures = document.get("captures") or ([document["capture"]] if document.get("capture") else [])
    for i, capture in enumerate(captures):
        lines += paper.write(shown(str(capture.get("path", "?"))), label="" if i else "take")
    for question, answer in (document.get("answers") or {}).items():
        lines += paper.write(shown(str(answer)), label=shown(str(question))[:9])
    for finding in document.get("findings") or ():
        severity = str(finding.get("severity", ""))
        sentence = shown(str(finding.get("sentence", "")))
        lines += paper.write(sentence, label=shown(severity)[:9], ink=_INKS.get(severity))
    for i, advice in enumerate(document.get("advice") or ()):
        lines += paper.write(shown(str(advice)), label="" if i else "advice", bullet=True)
    return paper.finish([*lines, paper.rule("┴")])


def _entry(entry: Entry, paper: Paper) -> list[str]:
    lines = paper.write(circumstances(entry), label=str(entry.number), text_ink="faint")
    said = shown(summary(entry))
    if said:
        lines += paper.write(said, ink="faint")
    for line in (entry.note or "").splitlines():
        lines += paper.write(shown(line), bullet=True)
    if entry.struck is not None:
        lines += paper.write(f"struck out {moment(entry.struck)}: {shown(entry.struck_why or '')}", text_ink="mind")
    return lines


def drift_page(build: str, history: Sequence[Drift], chosen: Drift | None = None, paper: Paper | None = None) -> str:
    """Return how the table of a build moved: each calibration in short, and one of them note by note.

    Parameters
    ----------
    build : str
    history : sequence of Drift
        In their order.
    chosen : Drift, optional
        Which one is shown note by note; the last that is no trimming where not given.
    paper : Paper, optional
    """
    paper = paper or Paper()
    lines = [paper.rule("┬"), *paper.write(shown(build), label="build", text_ink="strong")]
    for drift in history:
        lines.append(paper.line())
        lines += _drift(drift, paper)
    trend = temperature_trend(history)
    if trend is not None:
        lines += [paper.line(), *paper.write(trend_sentence(trend), label="degrees")]
    chosen = chosen or next((d for d in reversed(history) if d.cause == "drift" and d.notes), None)
    if chosen is not None and chosen.notes:
        lines += [paper.line(), *_notes(chosen, paper)]
    return paper.finish([*lines, paper.rule("┴")])


def _drift(drift: Drift, paper: Paper) -> list[str]:
    what = "trimmed, against" if drift.cause == "trim" else "against"
    days = f"{drift.days:.0f} days" if drift.days >= 2.0 else f"{24.0 * drift.days:.1f} hours"
    head = f"{moment(drift.entry.measured)}, {what} entry {drift.against.number} ({days} before)"
    lines = paper.write(head, label=str(drift.entry.number), text_ink="faint")
    for sentence in drift_sentences(drift):
        lines += paper.write(sentence)
    if drift.left_out:
        steps = "steps were" if drift.left_out > 1 else "step was"
        lines += paper.write(f"{drift.left_out} {steps} missing, silent, moving or doubtful, and left out.")
    return lines


def _notes(drift: Drift, paper: Paper) -> list[str]:
    """Draw the drift note by note, lowest first."""
    notes = _thinned(drift.notes)
    low, high = lane_ends([0.0, *(note.drift_cents for note in notes)], least=4.0)
    unit = "V" if drift.axis == "volts" else "dial"
    drawn = paper.text_width >= 68
    scale = f" {low:<{_LANE - 7}.0f}{high:>7.0f}" if drawn else ""
    title = f"entry {drift.entry.number} against entry {drift.against.number}, cents"
    lines = [
        paper.line(title, label="notes", text_ink="faint"),
        paper.line(f"{'note':<5}{'pitch':>9}{unit:>9}{'drift':>8}{scale}{'rest':>8}", text_ink="faint"),
    ]
    for note in notes:
        lane = f" {dot((note.drift_cents - low) / (high - low), _LANE)}" if drawn else ""
        lines.append(
            paper.line(
                f"{note.note:<5}{format_hz(note.f0_hz):>9}{note.control:>9.3f}{change(note.drift_cents, None):>8}"
                f"{lane}{change(note.rest_cents, None):>8}"
            )
        )
    return lines


def _thinned(notes: Sequence[NoteDrift]) -> list[NoteDrift]:
    """Return the ends and, between them, every note, every other, ... or the C of each octave, as there is room."""
    for stride in (1, 2, 3, 4, 6, 12):
        thinned = [
            n for i, n in enumerate(notes) if i in (0, len(notes) - 1) or round(note_number(n.f0_hz)) % stride == 0
        ]
        if len(thinned) <= _MOST_NOTES:
            break
    return thinned
