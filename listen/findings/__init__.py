"""Frames to findings: what is wrong, where, how badly, in a sentence."""

from listen.findings.judge import judge
from listen.findings.limits import load_limits
from listen.findings.types import Finding, Judgement, NotShown, SweepRow

__all__ = ["Finding", "Judgement", "NotShown", "SweepRow", "judge", "load_limits"]
