"""``listen excerpt``: sound for the ear from one place of a take."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from listen.api.arguments import FilePath
from listen.api.checking import CheckResult, check
from listen.errors import OptionError
from listen.findings.types import Finding
from listen.report.page.sounds import worst_second_s
from listen.report.sound import Excerpt, excerpts, worst_start_s

LONGEST_S = 30.0
SHORTEST_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExcerptResult:
    """Sounds of one place of a take.

    Attributes
    ----------
    check : CheckResult
    finding : Finding or None
        Whose worst place it is; None where a place was asked for or nothing was found.
    excerpts : tuple of Excerpt
        As recorded; without the fundamental; the pure tone of the same pitch and level.
    """

    check: CheckResult
    finding: Finding | None
    excerpts: tuple[Excerpt, ...]


def excerpt(
    path: FilePath,
    *,
    at_s: float | None = None,
    seconds: float = 1.0,
    finding: int | None = None,
    **settings: Any,
) -> ExcerptResult:
    """Return sounds of one place of a take: the second itself, its residue, the pure tone beside it.

    Parameters
    ----------
    path : path
    at_s : float, optional
        Where it begins, in seconds from the first sample; the worst place where not given.
    seconds : float
    finding : int, optional
        The number of the finding whose worst place is meant, as the check numbers them.
    **settings
        As for :func:`listen.check`.

    Returns
    -------
    ExcerptResult

    Raises
    ------
    ListenError
        The capture, the place or the finding cannot be used.
    """
    if not SHORTEST_S <= seconds <= LONGEST_S:
        raise OptionError(f"an excerpt of {seconds:g} s", f"ask for {SHORTEST_S:g} to {LONGEST_S:g} s")
    if at_s is not None and finding is not None:
        raise OptionError("both a place and a finding were asked for", "give one of them")
    result = check(path, **settings)
    capture = result.capture
    rate = capture.sample_rate_hz
    first_s, last_s = capture.start_sample / rate, capture.stop_sample / rate
    if at_s is not None and not first_s <= at_s < last_s - 0.5 * SHORTEST_S:
        raise OptionError(
            f"{at_s:g} s is outside of what is looked at, {first_s:.2f} to {last_s:.2f} s", "name a place within it"
        )
    chosen = None if at_s is not None else _chosen(result, finding)
    if at_s is not None:
        start_s = at_s
    elif chosen is not None:
        start_s = worst_second_s(result, chosen, seconds)
    else:
        start_s = worst_start_s(result.frames.thd_percent, result.frames.time_s, first_s, last_s, seconds)
    start_s = max(first_s, min(start_s, last_s - seconds))
    sounds = excerpts(capture, result.frames.envelope, start_s, start_s + seconds)
    return ExcerptResult(check=result, finding=chosen, excerpts=sounds)


def _chosen(result: CheckResult, number: int | None) -> Finding | None:
    """Return the finding that was asked for, else the worst that is no note."""
    count = len(result.findings)
    if number is not None:
        if not 1 <= number <= count:
            raise OptionError(
                f"there is no finding {number}", f"this take has {count}" if count else "nothing was found in this take"
            )
        return result.findings[number - 1]
    return next((finding for finding in result.findings if finding.severity != "note"), None)
