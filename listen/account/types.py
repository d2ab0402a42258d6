"""The account of one take, as found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.accounting import Shares
from listen.account.bursts import Bursts
from listen.account.chord import is_harmonic
from listen.account.fixed_lines import FixedLine
from listen.account.half_orders import HalfOrders
from listen.account.level_law import LevelLaw
from listen.account.lost_samples import LostSamples
from listen.account.mains import MainsLines
from listen.account.mains_sidebands import MainsSidebands
from listen.account.modulation import Swing
from listen.account.oscillator import SourceClass
from listen.account.parts import Part
from listen.account.pitch_scatter import Wavering
from listen.account.residual import RoomEvent
from listen.account.settling import Settling
from listen.account.shape import Shape
from listen.account.start import Start
from listen.account.steady import SteadySegment
from listen.account.stops import Silences
from listen.account.tone import BoardTone
from listen.account.waves import WaveShape
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherChannel:
    """A tone on a channel that was not read."""

    channel: int
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Account:
    """What a take consists of: its parts, each measured with the others taken into account.

    Attributes
    ----------
    recorded : Frames
        As tracked from the recording.
    frames : Frames
        Tracked again without mains lines where these are strong; else the same.
    tone : BoardTone or None
    heard : SourceClass
        The first question: is it an oscillator?
    other_channel : OtherChannel or None
    other_wave : str or None
        The wave that it is, where that is not the stated one.
    mains : MainsLines or None
    sidebands : MainsSidebands or None
    start : Start
    silences : Silences
    lost_samples : LostSamples
    cut : ndarray of bool, shape (rows,)
        Rows with tops that the interface cut.
    resting : ndarray of bool, shape (rows,)
        The control rests.
    segments, swings, settlings, waverings, fixed_lines, events : tuples
    half_orders : HalfOrders
    bursts : Bursts
    unexplained : ndarray, shape (rows,)
        Power against the tone's that no part explains.
    judged : ndarray of bool, shape (rows,)
        Rows in which the board's tone is at rest in level and no event touches it.
    shape : Shape or None
    wave_shape : WaveShape or None
        Of a triangle, a sawtooth, a square or a pulse.
    rings : tuple of Settling
        Of the level: those of the settlings, and that after power on.
    law : LevelLaw or None
        Of the level that the stage was given: what clipping and slewing take is given back.
    parts : tuple of Part
    ids : dict of str to str
        Ids of parts by what they are: ``tone``, ``mains``, ``curve`` ..
    shares : Shares
    """

    recorded: Frames
    frames: Frames
    tone: BoardTone | None
    heard: SourceClass
    other_channel: OtherChannel | None
    other_wave: str | None
    mains: MainsLines | None
    sidebands: MainsSidebands | None
    start: Start
    silences: Silences
    lost_samples: LostSamples
    cut: Flags
    resting: Flags
    segments: tuple[SteadySegment, ...]
    swings: tuple[Swing, ...]
    settlings: tuple[Settling, ...]
    waverings: tuple[Wavering, ...]
    half_orders: HalfOrders
    bursts: Bursts
    fixed_lines: tuple[FixedLine, ...]
    unexplained: Floats
    events: tuple[RoomEvent, ...]
    judged: Flags
    shape: Shape | None = None
    wave_shape: WaveShape | None = None
    rings: tuple[Settling, ...] = ()
    law: LevelLaw | None = None
    parts: tuple[Part, ...] = ()
    ids: dict[str, str] | None = None
    shares: Shares = field(default_factory=Shares)

    @property
    def is_oscillator(self) -> bool:
        """Whether one oscillator is heard."""
        return self.heard.source == "oscillator" and self.tone is not None

    def id_of(self, name: str) -> str | None:
        """Id of a part, None where the account has none such."""
        return (self.ids or {}).get(name)

    @property
    def hunting(self) -> tuple[Swing, ...]:
        """Swings that are the level's own: two sidebands, or one rate at notes that differ."""
        swings = self.swings
        if not swings or sum(s.one_sided for s in swings) <= 0.5 * len(swings):
            return swings
        pitches, rates = [s.segment.f0_hz for s in swings], [s.rate_hz for s in swings]
        unsure_hz = max(_SAME_RATE * min(rates), max(s.unsure_hz for s in swings))
        apart = max(pitches) > _APART * min(pitches) and max(pitches) - min(pitches) > 2.0 * unsure_hz
        same = max(rates) - min(rates) < unsure_hz
        return swings if apart and same and len(swings) > 1 else ()

    @property
    def second_lines(self) -> tuple[Swing, ...]:
        """Swings that are a second line beside the tone, but for harmonics of a sound that is told by itself."""
        own = {id(s) for s in self.hunting}
        heard_hz = [line.frequency_hz for line in self.fixed_lines if line.of_the_recording]
        return tuple(s for s in self.swings if id(s) not in own and not _is_of(s, heard_hz))


def _is_of(swing: Swing, heard_hz: list[float]) -> bool:
    """Whether the line beside the tone is a harmonic of a sound."""
    sides = [swing.segment.f0_hz + side * swing.rate_hz for side in (-1, 1)]
    return any(is_harmonic(hz, low, swing.unsure_hz) for hz in sides for low in heard_hz)


_APART, _SAME_RATE = 1.02, 0.08
"""A line beside the tone beats at a rate that changes with the note, by 2 Hz and more where two notes at 100 Hz are 2 %
apart; a level that hunts keeps its rate to some per cent, as far as that is known."""
