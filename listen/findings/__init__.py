"""An account to findings: what is wrong, where, how badly, in a sentence."""

from listen.findings.halves import half_adjective, half_fields, half_name, if_upright
from listen.findings.judge import judge
from listen.findings.kinds import Kind, all_kinds, kind_of, name_of
from listen.findings.limits import load_limits
from listen.findings.types import Finding, Judgement, NotShown, SweepRow

__all__ = [
    "Finding",
    "Judgement",
    "Kind",
    "NotShown",
    "SweepRow",
    "all_kinds",
    "half_adjective",
    "half_fields",
    "half_name",
    "if_upright",
    "judge",
    "kind_of",
    "load_limits",
    "name_of",
]
