"""Frames to findings: what is wrong, where, how badly, in a sentence."""

from listen.findings.judge import judge
from listen.findings.level import find_start
from listen.findings.limits import load_limits
from listen.findings.types import Finding, Judgement, NotShown, SweepRow
from listen.findings.wording import words

__all__ = ["Finding", "Judgement", "NotShown", "SweepRow", "find_start", "judge", "load_limits", "words"]
