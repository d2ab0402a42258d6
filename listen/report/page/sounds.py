"""The sounds of a page: for each finding its worst second, as long as there is room for them."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.findings import kind_of
from listen.findings.kinds import Worst
from listen.findings.types import Finding
from listen.report.page.wording import say
from listen.report.sound import Excerpt, excerpts, wav_bytes, worst_start_s
from listen.report.views import CheckView
from listen.report.words import interval
from listen.track.types import Frames

Floats = NDArray[np.float64]

SECONDS = 1.0
ROOM_BYTES = 2_100_000
"""With it a page stays under 3 MB."""
_HIGHEST_RATE_HZ = 48000.0
_NEAR_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Player:
    """One sound of the page."""

    kind: str
    label: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingSound:
    """What there is to hear of a finding: players, or the finding that has them, or no room."""

    players: tuple[Player, ...] = ()
    shared_with: int | None = None
    left_out: bool = False


def finding_sounds(result: CheckView, *, room_bytes: int = ROOM_BYTES) -> tuple[FindingSound, ...]:
    """Return the sounds of each finding, worst first, as long as there is room.

    Parameters
    ----------
    result : CheckResult
    room_bytes : int
        What all sounds together may take on the page.

    Returns
    -------
    tuple of FindingSound
        One for each finding; a note has none.
    """
    used, out = 0, []
    begins_s: dict[int, float] = {}
    for number, finding in enumerate(result.judgement.findings, start=1):
        if finding.severity == "note":
            out.append(FindingSound())
            continue
        start_s = worst_second_s(result, finding)
        same = next((n for n, other_s in begins_s.items() if abs(other_s - start_s) < _NEAR_S), None)
        if same is not None:
            out.append(FindingSound(shared_with=same))
            continue
        sounds = excerpts(result.capture, result.frames.envelope, start_s, start_s + SECONDS)
        players = tuple(player_of(sound, sound_label(sound)) for sound in sounds if len(sound.samples))
        size = sum(len(player.source) for player in players)
        if used + size > room_bytes or not players:
            out.append(FindingSound(left_out=True))
            continue
        used += size
        begins_s[number] = start_s
        out.append(FindingSound(players=players))
    return tuple(out)


def worst_second_s(result: CheckView, finding: Finding, seconds: float = SECONDS) -> float:
    """Return where the worst second (or seconds) of a finding begins, in seconds from the file's first sample."""
    frames = result.frames
    worst = kind_of(finding.kind).worst
    if worst is None:
        first_s = finding.start_s - 0.3 if finding.end_s - finding.start_s < seconds else finding.start_s
        latest_s = result.capture.stop_sample / result.capture.sample_rate_hz - seconds
        return max(result.capture.start_sample / result.capture.sample_rate_hz, min(first_s, latest_s))
    return worst_start_s(_score(frames, worst), frames.time_s, finding.start_s, finding.end_s, seconds)


def _score(frames: Frames, worst: Worst) -> Floats:
    """How bad each row is, by the columns that the kind names."""
    columns = [np.asarray(getattr(frames, name)) for name in worst.columns]
    if worst.how == "difference":
        return np.asarray(np.abs(columns[0] - columns[1]))
    if worst.how == "least":
        return -columns[0]
    with np.errstate(over="ignore", invalid="ignore"):
        return np.asarray(10.0 ** (columns[0] / 10.0)) if worst.how == "power" else columns[0]


def gain_words(gain_db: float) -> str:
    """Say how far a sound was raised or lowered.

    Examples
    --------
    >>> gain_words(-9.0), gain_words(34.0)
    ('lowered by 9 dB', 'raised by 34 dB')
    """
    if gain_db == 0.0:
        return say("sound.as_is")
    return say("sound.raised" if gain_db > 0 else "sound.lowered", db=f"{abs(gain_db):.0f}")


def sound_label(sound: Excerpt) -> str:
    """Say what a sound is, where it is from, and how far it was raised."""
    return say(f"sound.{sound.kind}", where=interval(sound.start_s, sound.end_s), gain=gain_words(sound.gain_db))


def player_of(sound: Excerpt, label: str) -> Player:
    """Return a sound that a page can play, at no higher rate than it needs."""
    sound = _lighter(sound)
    data = base64.b64encode(wav_bytes(sound)).decode("ascii")
    return Player(kind=sound.kind, label=label, source=f"data:audio/wav;base64,{data}")


def _lighter(sound: Excerpt) -> Excerpt:
    """Halve a high rate until it is no more than a page needs; the ends are faded, so that a spectrum may be cut."""
    from dataclasses import replace

    rate_hz, n = sound.sample_rate_hz, len(sound.samples)
    if rate_hz <= _HIGHEST_RATE_HZ or n < 4:
        return sound
    fewer = round(n * _HIGHEST_RATE_HZ / rate_hz)
    spectrum = np.fft.rfft(sound.samples)[: fewer // 2 + 1]
    return replace(
        sound,
        samples=np.fft.irfft(spectrum, fewer) * (fewer / n),
        sample_rate_hz=rate_hz * fewer / n,
    )
