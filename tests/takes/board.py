"""A board, its hand and its recorder, put together from laws, and the take that they give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo.controls import phase_rad
from listen.demo.recorder import Recorder, record
from tests.takes import cycles
from tests.takes.envelopes import grow, growth_rate
from tests.takes.extras import from_db
from tests.takes.strokes import LATTICE_HZ, Play

Floats = NDArray[np.float64]
Rng = np.random.Generator
Law = Callable[[Floats, Floats], Floats]

FRAME_HOP_S = 0.04
HIGHEST_PEAK_FS = 0.93
"""A hand that sets the input's gain leaves so much; takes that overload are meant to."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Playing:
    """What an added sound may need: one value a sample of the file."""

    rate_hz: float
    time_s: Floats
    phase: Floats
    f0_hz: Floats
    level: Floats
    rng: Rng


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How large a cause is.

    Attributes
    ----------
    value, limit : float
        In the unit of the limit.
    scale : {'ratio', 'db'}
        Whether "near" is 15 % or 1.5 dB.
    combined : float or None
        What is left of it in the wave as a whole, where company may hide it.
    start_s, end_s : float
    half : str or None
    also_accepted : tuple of str
        Other names that would be as right.
    fault : float or None
        Limit of the next severity.
    """

    value: float
    limit: float
    start_s: float
    end_s: float
    scale: str = "ratio"
    combined: float | None = None
    half: str | None = None
    also_accepted: tuple[str, ...] = ()
    fault: float | None = None


@dataclass(frozen=True, kw_only=True)
class Claim:
    """A cause that was built in, and how its size is measured on the noise-free take."""

    kind: str
    read: Callable[[Rendered], Reading]


@dataclass(kw_only=True, eq=False)
class Board:
    """Everything that makes a take. Laws get (time_s, f0_hz) on the lattice.

    Attributes
    ----------
    play, recorder : Play, Recorder
    level_dbfs : float
        Level of the tone where the drive is 1.
    rise_s : float
        From 1 % to 90 % after power.
    dead : list of (start_s, end_s, fall_s)
        The loop has too little gain: the level falls with a time constant.
    stages : list of Stage
    drive_db : list of law
        The gain control's level in decibels, before the stages.
    factors, cents, wholly : list of law
        Level in time; pitch in time; level of everything that the board gives (switching off, a fader).
    added : list of callable (Playing) -> wave
        Relative to a tone of amplitude 1.
    behind : list of callable (samples, rate_hz, tone_fs) -> samples
        Done to what comes to the recorder: rooms, thumps.
    damage : list of callable (samples, rate_hz) -> samples
        Done to the finished file.
    overload : float or None
        Peak of the tone over full scale, for takes that are meant to clip.
    """

    play: Play
    recorder: Recorder
    level_dbfs: float
    rise_s: float = 0.1
    kick: float = 2e-3
    loop_noise: float = 3e-5
    dead: list[tuple[float, float, float]] = field(default_factory=list)
    stages: list[cycles.Stage] = field(default_factory=list)
    drive_db: list[Law] = field(default_factory=list)
    factors: list[Law] = field(default_factory=list)
    cents: list[Law] = field(default_factory=list)
    wholly: list[Law] = field(default_factory=list)
    added: list[Callable[[Playing], Floats]] = field(default_factory=list)
    behind: list[Callable[[Floats, float, float], Floats]] = field(default_factory=list)
    damage: list[Callable[[Floats, float], Floats]] = field(default_factory=list)
    overload: float | None = None
    claims: list[Claim] = field(default_factory=list)
    wave: str = "sine"
    gain_control: str | None = None
    bench: dict[str, Any] = field(default_factory=dict)
    values: dict[str, Any] = field(default_factory=dict)

    @property
    def rate_hz(self) -> int:
        """Of the file."""
        return self.recorder.sample_rate_hz


@dataclass(frozen=True, kw_only=True, eq=False)
class Rendered:
    """A take, and the laws that it was made by, on the lattice.

    Attributes
    ----------
    samples : ndarray
        What the file holds.
    time_s, f0_hz, grown, level : ndarray
        Lattice: pitch; level of start, death and growth alone (1 when settled); drive of the stages.
    """

    board: Board
    samples: Floats
    tone_fs: float
    time_s: Floats
    f0_hz: Floats
    grown: Floats
    level: Floats

    @property
    def start_s(self) -> float:
        """The tone first stands at 90 % of its level."""
        return float(self.time_s[np.argmax(self.grown > 0.9)])

    @property
    def end_s(self) -> float:
        """End of the tone."""
        up = np.flatnonzero(self.grown > 0.9)
        return float(min(self.time_s[up[-1]], self.board.play.end_s)) if len(up) else self.board.play.end_s

    @cached_property
    def frames(self) -> NDArray[np.int64]:
        """Places on the lattice where the tone stands settled."""
        every = np.arange(0, int(self.board.play.end_s * LATTICE_HZ), int(FRAME_HOP_S * LATTICE_HZ))
        return np.asarray(every[self.grown[every] > 0.97])

    @cached_property
    def frame_f0_hz(self) -> Floats:
        """Pitch of each frame."""
        return np.asarray(self.f0_hz[self.frames])

    def measures(self, kinds: tuple[str, ...] | None = None) -> cycles.Measures:
        """Measure the frames' cycles, bent by all stages, or by those of some kinds alone."""
        key = kinds or ("*",)
        if key not in self._kept:
            stages = [s for s in self.board.stages if kinds is None or s.kind in kinds]
            bent = cycles.run(stages, self.frame_f0_hz, self.level[self.frames])
            self._kept[key] = cycles.measure(bent, self.frame_f0_hz, self.board.rate_hz)
        return self._kept[key]

    @cached_property
    def _kept(self) -> dict[tuple[str, ...], cycles.Measures]:
        return {}


def laws(board: Board) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return the lattice: time, pitch, growth, level of the drive, level of the whole."""
    time_s = board.play.lattice_s()
    f0_hz = board.play.control.f0_hz(time_s)
    cents = np.zeros_like(time_s)
    for law in board.cents:
        cents += law(time_s, f0_hz)
    f0_hz = f0_hz * np.exp2(cents / 1200.0)
    rate = np.full_like(time_s, growth_rate(board.rise_s))
    for start_s, end_s, fall_s in board.dead:
        rate[(time_s >= start_s) & (time_s < end_s)] = -1.0 / fall_s
    grown = np.empty_like(time_s)
    grow(rate, time_s >= board.play.power_s, board.kick, board.loop_noise, grown)
    drive_db = np.zeros_like(time_s)
    for law in board.drive_db:
        drive_db += law(time_s, f0_hz)
    level = grown * 10.0 ** (drive_db / 20.0)
    for law in board.factors:
        level *= law(time_s, f0_hz)
    whole = np.ones_like(time_s)
    for law in board.wholly:
        whole *= law(time_s, f0_hz)
    return time_s, f0_hz, grown, level, whole


def render(board: Board, rng: Rng) -> Rendered:
    """Return the take of a board."""
    rate_hz = float(board.rate_hz)
    count = int(board.play.end_s * rate_hz)
    time_s, f0_hz, grown, level, whole = laws(board)
    each = rate_hz / LATTICE_HZ
    fine_f0_hz, fine_level = np.empty(count), np.empty(count)
    cycles.expand(f0_hz, each, fine_f0_hz)
    cycles.expand(level, each, fine_level)
    phase = phase_rad(fine_f0_hz, rate_hz, start_rad=float(rng.uniform(0.0, 2.0 * np.pi)))
    table = cycles.tabulate(board.stages, float(f0_hz.min()), float(f0_hz.max()), float(level.max()), rate_hz)
    wave = np.empty(count)
    cycles.read_table(
        table.cycles, table.lowest_hz, table.rows_per_octave, table.linear, phase, fine_f0_hz, fine_level, wave
    )
    here = Playing(
        rate_hz=rate_hz, time_s=np.arange(count) / rate_hz, phase=phase, f0_hz=fine_f0_hz, level=fine_level, rng=rng
    )
    for sound in board.added:
        wave += sound(here)
    if board.wholly:
        fine_whole = np.empty(count)
        cycles.expand(whole, each, fine_whole)
        wave *= fine_whole
    tone_fs = _tone_fs(board, wave)
    wave *= tone_fs
    for step in board.behind:
        wave = step(wave, rate_hz, tone_fs)
    if board.overload is None:
        spare = HIGHEST_PEAK_FS / float(np.max(np.abs(wave)))
        if spare < 1.0:
            wave *= spare
            tone_fs *= spare
    samples = record(wave, board.recorder, rng)
    for step in board.damage:
        samples = step(samples, rate_hz)
    return Rendered(
        board=board, samples=samples, tone_fs=tone_fs, time_s=time_s, f0_hz=f0_hz, grown=grown * whole, level=level
    )


def _tone_fs(board: Board, wave: Floats) -> float:
    """Amplitude of a tone of drive 1: as wanted, less where the loudest place would clip."""
    peak = float(np.max(np.abs(wave)))
    if board.overload is not None:
        return board.overload / peak
    return min(from_db(board.level_dbfs), HIGHEST_PEAK_FS / peak)
