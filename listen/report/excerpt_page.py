"""What ``listen excerpt`` prints: which sounds were written, from where, and how far they were raised."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence

from listen.findings.types import Finding
from listen.report.page.sounds import gain_words
from listen.report.page.wording import say
from listen.report.paper import Paper
from listen.report.sound import Excerpt
from listen.report.words import interval
from listen.units import format_db


def excerpt_page(
    finding: Finding | None,
    excerpts: Sequence[Excerpt],
    files: Mapping[str, str | os.PathLike[str]],
    paper: Paper | None = None,
) -> str:
    """Return the page of some excerpts.

    Parameters
    ----------
    finding : Finding or None
        Whose worst place it is.
    excerpts : sequence of Excerpt
    files : mapping of kind to path
    paper : Paper, optional

    Returns
    -------
    str
        Ends with a newline.
    """
    paper = paper or Paper()
    lines = [paper.rule("┬")]
    if finding is not None:
        lines += paper.write(finding.sentence, label=finding.severity)
    for sound in excerpts:
        text = say(f"sound.{sound.kind}", where=interval(sound.start_s, sound.end_s), gain=gain_words(sound.gain_db))
        lines += paper.write(f"{text}; peaks at {format_db(sound.peak_dbfs, 'dBFS')}", label=sound.kind)
        lines += paper.write(os.fspath(files[sound.kind]), text_ink="faint")
    lines += paper.write(say("sound.caution"), label="caution")
    lines.append(paper.rule("┴"))
    return paper.finish(lines)
