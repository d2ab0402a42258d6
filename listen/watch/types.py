"""What a watch says while it hears: readings, intervals, findings that come and go, losses, a new source, a summary."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from listen.api.checking import CheckResult
    from listen.watch.feeds import Reason

ToneState = Literal["silent", "settling", "moving", "steady", "over", "lost"]
SCHEMA = "listen.watch/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """The first event: what is heard."""

    sample_rate_hz: int
    channels: int
    channel: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One row of the frames table, unsmoothed. None: not measurable.

    Attributes
    ----------
    time_s : float
        Centre of the frame, seconds from the first sample.
    heard_s : float
        Seconds received so far.
    f0_hz, cents, level_dbfs, thd_percent, h2_dbc, h3_dbc, crest_positive, crest_negative : float or None
        ``cents`` is off the nearest note, or off the note that was asked for.
    f0_sigma_cents : float or None
        Standard deviation of the pitch; not among the JSON lines.
    peak_fs : float
        Largest sample of the last 0.2 s; not among the JSON lines.
    state : str
    """

    time_s: float
    heard_s: float
    f0_hz: float | None
    cents: float | None
    level_dbfs: float | None
    thd_percent: float | None
    h2_dbc: float | None
    h3_dbc: float | None
    crest_positive: float | None
    crest_negative: float | None
    f0_sigma_cents: float | None
    peak_fs: float
    state: ToneState


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalReading:
    """Two notes held in turn."""

    time_s: float
    low_hz: float
    high_hz: float
    cents: float
    error_cents: float
    alternations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Arisen:
    """A finding of the last ten seconds that was not there before."""

    time_s: float
    kind: str
    severity: str
    half: str | None
    sentence: str
    half_known: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleared:
    """A finding that the last ten seconds no longer show."""

    time_s: float
    kind: str
    severity: str
    half: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LostTime:
    """Seconds that never came."""

    time_s: float
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceChanged:
    """The source is not, or no longer, what was opened: another rate, another input.

    Attributes
    ----------
    time_s : float
    rate_hz : int
        The source's own.
    sentence : str
    """

    time_s: float
    rate_hz: int
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Summary:
    """The last event: the check of the whole take.

    Attributes
    ----------
    reason : str
        Why it ended.
    heard_s, lost_s : float
    result : CheckResult or None
        None where nothing could be judged; ``problem`` says why.
    problem : str or None
    """

    reason: Reason
    heard_s: float
    lost_s: float
    result: CheckResult | None
    problem: str | None


Event = Start | Reading | IntervalReading | Arisen | Cleared | LostTime | SourceChanged | Summary
