"""Takes that are no oscillator, two oscillators at once, a wrong --wave, a wrong channel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from listen.demo.recorder import Recorder, record
from tests.takes import instruments, sounds
from tests.takes.board import Board, render
from tests.takes.builds import healthy_board
from tests.takes.class_healthy import finished
from tests.takes.cycles import PHASE, Stage
from tests.takes.extras import coloured, draw_hum, from_db, hum_wave
from tests.takes.families.pick import log_uniform
from tests.takes.files import Made, TakeClass
from tests.takes.needs import Needs, background, draw_board, draw_recorder, pitch_range
from tests.takes.strokes import Play, begin, whole_take
from tests.takes.truths import Truth

Floats = NDArray[np.float64]
Rng = np.random.Generator

OF_THE_RECORDING = ("capture-quiet", "capture-gap", "capture-overload", "mains-hum")
OF_A_BOARD = (
    "asymmetric-clipping",
    "symmetric-clipping",
    "even-order-distortion",
    "odd-order-distortion",
    "crossover-distortion",
    "slew-limiting",
    "slow-start",
    "oscillation-dropout",
    "level-drift",
    "amplitude-hunting",
    "amplitude-bounce",
    "pitch-instability",
    "parasitic-oscillation",
    "subharmonic",
    "unexplained",
)


def _recorder(rng: Rng) -> Recorder:
    return draw_recorder(rng, int(rng.choice([44100, 48000])), -10.0, Needs(), subtype="PCM_16", dc_fs=0.0)


def _recorded(rng: Rng, wave: Floats, recorder: Recorder, truth: Truth, peak_dbfs: float | None = None) -> Made:
    """Record a sound at a peak of -12 to -3 dBFS."""
    peak = from_db(float(rng.uniform(-12.0, -3.0)) if peak_dbfs is None else peak_dbfs)
    wave = wave * (peak / np.max(np.abs(wave)))
    truth.parts |= {"rate_hz": recorder.sample_rate_hz, "seconds": round(len(wave) / recorder.sample_rate_hz, 2)}
    return Made(
        samples=record(wave, recorder, rng), rate_hz=recorder.sample_rate_hz, subtype=recorder.subtype, truth=truth
    )


def _no_oscillator(end_s: float, kind: str = "not-an-oscillator") -> Truth:
    truth = Truth()
    other = "two-tones" if kind == "not-an-oscillator" else "not-an-oscillator"
    truth.expect(kind, 0.0, end_s, severity="attention", also_accepted=(other,))
    for name in OF_THE_RECORDING:
        truth.allow(name, "of the recording")
    return truth


def _with_silence(rng: Rng, wave: Floats, rate_hz: int) -> Floats:
    """Put a little silence before and after, as a recorder that is started by hand does."""
    edges = [np.zeros(int(float(rng.uniform(0.2, 0.8)) * rate_hz)) for _ in range(2)]
    return np.concatenate((edges[0], wave, edges[1]))


SYNTHETIC: dict[str, Callable[[Rng, int], Floats]] = {
    "plucked-tune": lambda rng, rate: instruments.tune(rng, "pluck", 7.0, rate),
    "plucked-chords": lambda rng, rate: instruments.tune(rng, "pluck", 7.0, rate, 3),
    "choir": lambda rng, rate: instruments.tune(rng, "voice", 7.0, rate, 4),
    "song": lambda rng, rate: instruments.tune(rng, "voice", 7.0, rate),
    "bells": lambda rng, rate: instruments.tune(rng, "bell", 7.0, rate),
    "drums": lambda rng, rate: instruments.tune(rng, "drum", 6.0, rate),
    "several-notes": lambda rng, rate: instruments.several_notes(rng, 5.0, rate),
    "band": lambda rng, rate: (
        instruments.tune(rng, "pluck", 6.0, rate, 2)
        + instruments.tune(rng, "drum", 6.0, rate)
        + 0.7 * instruments.tune(rng, "voice", 6.0, rate)
    ),
}


def _synthetic(variant: str, rng: Rng) -> Made:
    recorder = _recorder(rng)
    wave = _with_silence(rng, SYNTHETIC[variant](rng, recorder.sample_rate_hz), recorder.sample_rate_hz)
    return _recorded(rng, wave, recorder, _no_oscillator(len(wave) / recorder.sample_rate_hz))


def _heard(group: str, index: int, rng: Rng) -> Made:
    names = sounds.files(group)
    name = names[index % len(names)]
    recorder = _recorder(rng)
    wave = _with_silence(rng, sounds.sound(name, group, recorder.sample_rate_hz), recorder.sample_rate_hz)
    seconds = len(wave) / recorder.sample_rate_hz
    if group == "held":
        # One steady tone in whole ratios is all that an oscillator is: it may pass, or be measured as one.
        truth = Truth()
        for kind in ("not-an-oscillator", "two-tones", *OF_A_BOARD, *OF_THE_RECORDING):
            truth.allow(kind, "one steady tone: it may pass, or be told apart, or be measured as an oscillator")
    else:
        truth = _no_oscillator(seconds)
    truth.parts["file"] = name
    return _recorded(rng, wave, recorder, truth)


def _nothing_sounds(variant: str, rng: Rng) -> Made:
    recorder = _recorder(rng)
    rate_hz, seconds = recorder.sample_rate_hz, float(rng.uniform(4.0, 8.0))
    count = int(seconds * rate_hz)
    truth = Truth()
    truth.expect("oscillation-absent", 0.0, seconds, severity="fault")
    if variant == "silence":
        wave, peak_dbfs = coloured(rng, count, rate_hz, 0.0), -90.0
    elif variant == "hum":
        wave, peak_dbfs = hum_wave(draw_hum(rng, recorder.hum_hz), count, rate_hz), float(rng.uniform(-60.0, -25.0))
    else:
        slope = 0.0 if variant == "white-noise" else 3.0
        wave, peak_dbfs = coloured(rng, count, rate_hz, slope), float(rng.uniform(-50.0, -10.0))
    return _recorded(rng, wave, recorder, truth, peak_dbfs)


def _play_of_two(rng: Rng, variant: str, rate_hz: int) -> Play:
    if variant == "two-steady":
        score = begin(log_uniform(rng, 110.0, 1500.0))
        score.rest(float(rng.uniform(8.0, 10.0)))
        return score.play(float(rng.uniform(0.6, 1.5)))
    return whole_take(rng, *pitch_range(rng, Needs(lowest_hz=100.0), rate_hz))


def _two_boards(variant: str, rng: Rng) -> Made:
    """Two boards in one recording: the second at -8 to 0 dB, or near the -10 dB from which the contract counts it."""
    rate_hz = int(rng.choice([44100, 48000]))
    first, second = (
        healthy_board(rng, "clean", play=_play_of_two(rng, variant, rate_hz), rate_hz=rate_hz) for _ in range(2)
    )
    down_db = float(rng.uniform(8.6, 12.0)) if variant == "two-boards-down" else float(rng.uniform(0.0, 8.0))
    one, other = render(first, rng), render(second, rng)
    count = min(len(one.samples), len(other.samples))
    wave = one.samples[:count] / one.tone_fs + from_db(-down_db) * other.samples[:count] / other.tone_fs
    truth = _no_oscillator(count / rate_hz, "two-tones")
    if variant == "two-boards-down":
        truth.expected[0]["also_accepted"] += ["parasitic-oscillation", "unexplained"]
    truth.parts |= {"second_db": round(-down_db, 2)}
    quiet = replace(first.recorder, hum_dbfs=-140.0, noise_dbfs=-110.0, dc_fs=0.0)
    return _recorded(rng, wave, quiet, truth)


def foreign_variants() -> list[str]:
    """Return what this machine can make."""
    made = [*SYNTHETIC, "silence", "white-noise", "pink-noise", "hum", "two-boards", "two-boards-down", "two-steady"]
    if sounds.folder() is None:
        return made
    return made + [f"{g}/{n}" for g in ("foreign", "speech", "held") for n in range(len(sounds.files(g)))]


def _foreign(variant: str, _seed: int, rng: Rng) -> Made:
    if variant in SYNTHETIC:
        return _synthetic(variant, rng)
    if variant.startswith("two-"):
        return _two_boards(variant, rng)
    if "/" in variant:
        group, index = variant.split("/")
        return _heard(group, int(index), rng)
    return _nothing_sounds(variant, rng)


# ---- a wrong --wave, a wrong channel


def wave_stage(wave: str) -> Stage | None:
    """Return a stage that makes a board's wave out of its phase; None for a sine."""
    place = PHASE / (2.0 * np.pi)
    cycles = {
        "triangle": 1.0 - 4.0 * np.abs(place - np.rint(place)),
        "sawtooth": 2.0 * (place - np.floor(place + 0.5)),
        "square": np.where(np.abs(place - np.rint(place)) < 0.25, 1.0, -1.0),
    }
    if wave not in cycles:
        return None
    return Stage(kind="", linear=True, bend=lambda _w, _f0, level: level * cycles[wave][None, :], values={"wave": wave})


def wave_board(rng: Rng, wave: str) -> Board:
    """Return a healthy board that makes a wave, low enough for its harmonics to be in the file."""
    board = draw_board(rng, Needs(lowest_hz=90.0, top_share=1 / 26, rates_hz=(44100, 48000, 96000)))
    stage = wave_stage(wave)
    board.stages[:] = [stage] if stage is not None else [background(rng)]
    if stage is not None:
        board.rise_s, board.kick = 0.004, 0.2
    board.recorder = replace(board.recorder, ac_coupling_hz=log_uniform(rng, 1.0, 3.0))
    return board


WAVES = ("sine", "triangle", "sawtooth", "square")


def _wrong(variant: str, _seed: int, rng: Rng) -> Made:
    if variant == "channel":
        return _wrong_channel(rng)
    is_wave, said = variant.split("-as-")
    board = wave_board(rng, is_wave)
    board.wave = said
    truth = Truth()
    truth.expect(
        "wrong-wave", board.play.power_s, board.play.end_s, severity="attention",
        first=True, sentence_has=f"--wave {is_wave}",
    )  # fmt: skip
    for kind in OF_A_BOARD[:6]:
        truth.allow(kind, "measured against the wrong wave")
    return finished(board, rng, truth)


def _wrong_channel(rng: Rng) -> Made:
    board = draw_board(rng, Needs(lowest_hz=90.0))
    made = finished(board, rng)
    count, rate_hz = len(made.samples), made.rate_hz
    empty = from_db(float(rng.uniform(-96.0, -84.0))) / np.sqrt(2.0) * rng.standard_normal(count)
    if rng.random() < 0.5:
        empty += from_db(float(rng.uniform(-80.0, -60.0))) * hum_wave(draw_hum(rng, 50.0), count, rate_hz)
    read, holds = (1, 2) if rng.random() < 0.6 else (2, 1)
    truth = Truth(options={"channel": read}, parts={**made.truth.parts, "tone_on": holds})
    truth.expect("wrong-channel", 0.0, board.play.end_s, severity="attention", sentence_has=f"--channel {holds}")
    channels = [empty, made.samples] if holds == 2 else [made.samples, empty]
    return Made(samples=np.stack(channels, axis=1), rate_hz=rate_hz, subtype=made.subtype, truth=truth)


FOREIGN = TakeClass(name="foreign", variants=foreign_variants, make=_foreign)
WRONG = TakeClass(
    name="wrong",
    variants=lambda: ["channel", *(f"{a}-as-{b}" for a in WAVES for b in WAVES if a != b)],
    make=_wrong,
)
