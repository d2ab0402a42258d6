"""What bends a sine, read from harmonics of waves that formulas give: clips, slopes, dead bands, curves, a Wien loop.

Sources: Fourier series by a fast transform of 4096 points of one cycle; a slope that is held, from the definition of a
follower of limited slope; the Wien network's transfer H(k) = 1 / (3 + j (k - 1 / k)) (any handbook of oscillators).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from listen.account.curve.bins import Bins, gather
from listen.account.curve.measure import _dead
from listen.account.curve.model import Stages
from listen.account.curve.parameters import Layout
from listen.account.describe import _most
from listen.account.shape import Shape, find_shape
from listen.account.waves import other_wave
from listen.track import Frames
from tests.accounts import plain_frames

POINTS = 4096
THETA = 2 * np.pi * np.arange(POINTS) / POINTS
PITCHES = np.geomspace(300.0, 1500.0, 12)
ROWS = 12
Wave = Callable[[float], np.ndarray]


def frames_with(wave: Wave, level_fs: float = 0.3, own: float = 2e-4) -> Frames:
    """Rows at twelve pitches; ``wave`` gives one cycle of the wave at a pitch, its fundamental as it likes."""
    rng = np.random.default_rng(12)
    lines, levels = [], []
    for f0_hz in PITCHES.tolist():
        spectrum = np.fft.rfft(wave(f0_hz))[1:11] * (2 / POINTS)
        turn = np.angle(spectrum[0])
        ratio = spectrum[1:] / spectrum[0] * np.exp(-1j * turn * np.arange(1, 10))
        for _ in range(ROWS):
            lines.append(ratio + own * (rng.standard_normal(9) + 1j * rng.standard_normal(9)) * 0.1)
            levels.append(20 * np.log10(level_fs * abs(spectrum[0])))
    r = np.array(lines)
    power = np.abs(r) ** 2
    return plain_frames(
        len(r),
        f0_hz=np.repeat(PITCHES, ROWS),
        level_dbfs=np.array(levels),
        harmonics_dbc=20 * np.log10(np.maximum(np.abs(r), 1e-9)),
        harmonic_phase_rad=np.angle(r),
        harmonic_count=np.full(len(r), 10, dtype=np.int64),
        thd_percent=100 * np.sqrt(power.sum(axis=1)),
    )


def shape_of(wave: Wave, *, wien: bool = False) -> Shape:
    frames = frames_with(wave)
    shape = find_shape(frames, np.ones(len(frames), dtype=bool), wien=wien, wave="sine")
    assert shape is not None
    assert shape.sizes is not None
    return shape


def crest_lost(cycle: np.ndarray) -> tuple[float, float]:
    """Height of both crests over the fundamental."""
    first = abs(np.fft.rfft(cycle)[1]) * 2 / POINTS
    return (cycle.max() - cycle.mean()) / first, (cycle.mean() - cycle.min()) / first


def test_a_sine_needs_no_part() -> None:
    shape = shape_of(lambda _: np.cos(THETA))
    assert shape.choice is not None
    assert shape.choice.best.stages.parts == ""
    assert shape.sizes.loss_one.max() == 0.0
    assert shape.sizes.dead.max() == shape.sizes.slope_short.max() == 0.0


@pytest.mark.parametrize("level", [0.95, 0.8, 0.6])
@pytest.mark.parametrize("half", [1.0, -1.0])
def test_one_half_that_is_cut_off_loses_what_the_formula_says(level: float, half: float) -> None:
    cycle = half * np.minimum(np.cos(THETA), level)
    sizes = shape_of(lambda _: cycle).sizes
    up, down = crest_lost(cycle)
    want = 1 - min(up, down) / max(up, down)
    np.testing.assert_allclose(sizes.loss_one, want, atol=0.004)
    assert (sizes.positive == (half > 0)).all()
    assert sizes.hard
    assert sizes.loss_both.max() < 0.01


@pytest.mark.parametrize("level", [0.9, 0.7])
def test_both_halves_that_are_cut_off_alike(level: float) -> None:
    cycle = np.clip(np.cos(THETA), -level, level)
    sizes = shape_of(lambda _: cycle).sizes
    np.testing.assert_allclose(sizes.loss_both, 1 - max(crest_lost(cycle)), atol=0.004)
    assert sizes.hard
    assert sizes.loss_one.max() < 0.01


@pytest.mark.parametrize("dead", [0.015, 0.06])
def test_a_dead_band_is_its_width_over_the_peak_that_drives_it(dead: float) -> None:
    cycle = np.sign(np.cos(THETA)) * np.maximum(np.abs(np.cos(THETA)) - dead, 0.0)
    np.testing.assert_allclose(shape_of(lambda _: cycle).sizes.dead, dead, rtol=0.08)


def slewed(over: float) -> np.ndarray:
    """A sine through a follower whose slope is limited to 1 / over of its own, once it has settled."""
    step = 2 * np.pi / POINTS / over
    y, out = 0.0, np.empty(3 * POINTS)
    target = np.cos(2 * np.pi * np.arange(3 * POINTS) / POINTS)
    for i, x in enumerate(target.tolist()):
        y += min(max(x - y, -step), step)
        out[i] = y
    return out[-POINTS:]


def test_a_limited_slope_is_one_number_for_the_take() -> None:
    """The limit is reached at 1 kHz: 2 pi f A volts a second."""
    shape = shape_of(lambda f0_hz: slewed(f0_hz / 1000.0) if f0_hz > 1000.0 else np.cos(THETA))
    assert "S" in shape.choice.best.stages.parts
    assert shape.sizes.slope_fs_per_s == pytest.approx(2 * np.pi * 1000.0 * 0.3, rel=0.03)
    held = shape.sizes.f0_hz > 1100.0
    assert (shape.sizes.slope_short[held] > 0.05).all()
    assert (shape.sizes.slope_short[shape.sizes.f0_hz < 900.0] < 0.02).all()


@pytest.mark.parametrize(("even", "odd"), [(0.02, 0.0), (0.0, 0.015)])
def test_curves_are_their_second_and_third_harmonics(even: float, odd: float) -> None:
    """Chebyshev: cos 2t and cos 3t are x^2 and x^3 but for lower orders."""
    sizes = shape_of(lambda _: np.cos(THETA) + even * np.cos(2 * THETA) + odd * np.cos(3 * THETA)).sizes
    assert np.median(sizes.residual_even) == pytest.approx(even, abs=0.002)
    assert np.median(sizes.residual_odd) == pytest.approx(odd, abs=0.002)
    assert not sizes.hard or sizes.loss_one.max() < 0.01


@pytest.mark.parametrize("even", [0.03, -0.08])
def test_a_square_law_behind_flat_halves_is_an_even_curve(even: float) -> None:
    """Diodes that hold both halves alike, and an output stage that bends: no half is flatter than the other."""
    held = np.clip(np.cos(THETA), -0.93, 0.93)
    sizes = shape_of(lambda _: held + even * (2 * held**2 - 1)).sizes
    assert sizes.even == pytest.approx(abs(even), rel=0.1)
    assert sizes.loss_one.max() < 0.005
    up, down = crest_lost(held)
    assert sizes.loss_both == pytest.approx(1 - max(up, down), abs=0.005)


@pytest.mark.parametrize("even", [0.03, -0.05])
def test_a_square_law_before_rails_that_lie_alike(even: float) -> None:
    """One amplifier that bends, and reaches its rails."""
    curved = np.cos(THETA) + even * np.cos(2 * THETA)
    shape = shape_of(lambda _: np.clip(curved, -0.92, 0.92))
    assert shape.sizes.even == pytest.approx(abs(even), rel=0.1)
    assert shape.sizes.loss_one.max() < 0.005
    assert not shape.choice.best.stages.second_stage


def wien_loop(limit: Callable[[np.ndarray], np.ndarray], gain: float) -> np.ndarray:
    """One cycle of the output of an amplifier of a gain with a limiter in a Wien loop, found by going round it."""
    k = np.arange(POINTS // 2 + 1)
    with np.errstate(divide="ignore"):
        network = np.where(k > 0, 1 / (3 + 1j * (k - 1 / np.maximum(k, 1))), 0.0)
    spectrum = np.zeros(POINTS // 2 + 1, dtype=complex)
    spectrum[1] = POINTS / 2 * 0.9
    cycle = np.fft.irfft(spectrum)
    for _ in range(400):
        cycle = limit(gain * np.fft.irfft(np.fft.rfft(cycle) * network))
    return cycle


@pytest.mark.parametrize("level", [1.0, 0.7])
def test_a_rail_within_a_wien_loop(level: float) -> None:
    """One rail at the level, the other a tenth further out: the positive half is flat, and lies at its rail."""
    cycle = wien_loop(lambda u: np.clip(u, -1.1 * level, level), 3.15)
    shape = shape_of(lambda _: cycle, wien=True)
    assert shape.inside
    assert shape.sizes.positive.all()
    up, down = crest_lost(cycle)
    np.testing.assert_allclose(shape.sizes.crest_positive, up, rtol=0.01)
    np.testing.assert_allclose(shape.sizes.crest_negative, down, rtol=0.01)
    np.testing.assert_allclose(shape.sizes.loss_one, 1 - min(up, down) / max(up, down), atol=0.012)


def bins_of(lines: np.ndarray) -> Bins:
    cycle = sum(a * np.cos(k * THETA) for k, a in enumerate(lines.tolist(), start=1))
    frames = frames_with(lambda _: cycle)
    bins = gather(frames, np.ones(len(frames), dtype=bool))
    assert bins is not None
    return bins


def test_two_states_at_one_pitch_are_not_bound_to_each_other() -> None:
    """Levels of neighbouring pitches go over by degrees; those of a wave that changes at rest need not."""
    bins = bins_of(np.array([1.0, 0.02]))
    pitch = np.array(bins.f0_hz)
    pitch[5] = pitch[4] * 2.0**0.005
    one, two = (replace(bins, f0_hz=pitch, own=np.full_like(bins.own, own)) for own in (-1, 4))
    along = Stages(parts="P", knee="along")
    rows = [Layout(along, b).prior_matrix.shape[0] for b in (one, two)]
    assert rows[0] - rows[1] == 1


def test_many_bins_count_as_eight() -> None:
    """The model's own error is the same in all: twelve bins weigh two thirds each, of up to eight each is whole."""
    assert bins_of(np.array([1.0, 0.02])).weight == pytest.approx(8 / 12)
    rest = plain_frames(50, f0_hz=440.0)
    alone = gather(rest, np.ones(50, dtype=bool))
    assert alone is not None
    assert alone.weight == 1.0


@pytest.mark.parametrize("which", [0, 1])
def test_a_fault_at_one_of_two_rests_near_each_other_is_a_state_of_its_own(which: int) -> None:
    """Rests at 1046 and 1095 Hz share a bin: a third harmonic of 4 % for 2.4 s of one of them, and elsewhere none."""
    n, row = 620, np.arange(620)
    pitch = np.where(row < 300, 700.0, np.where(row < 460, 1_095.0, 1_046.0))
    if which:
        pitch = np.where(row < 300, 700.0, np.where(row < 460, 1_046.0, 1_095.0))
    bent = (row >= 480) & (row < 600)
    dbc = np.full((n, plain_frames(2).harmonics_dbc.shape[1]), -100.0)
    dbc[:, 1] = np.where(bent, -28.0, -100.0)
    frames = plain_frames(n, f0_hz=pitch, harmonics_dbc=dbc)
    bins = gather(frames, np.ones(n, dtype=bool))
    assert bins is not None
    third = np.abs(bins.r[:, 1])
    (faulty,) = np.flatnonzero(third > 0.01)
    assert third[faulty] == pytest.approx(10 ** (-28.0 / 20), rel=0.01)
    assert bins.count[faulty] >= 100
    assert (bins.own[bent] == faulty).mean() > 0.98
    assert (bins.own[300:480] != faulty).all()


K = np.arange(1, 11)
WAVES = {
    "sine": (K == 1).astype(float),
    "triangle": np.where(K % 2, 1 / K**2, 0.0),
    "square": np.where(K % 2, (-1.0) ** (K // 2) / K, 0.0),
    "sawtooth": 1.0 / K,
}
"""Fourier series of the waves, any handbook's."""


@pytest.mark.parametrize("stated", [*WAVES, "any"])
@pytest.mark.parametrize("played", WAVES)
def test_which_wave_it_is(played: str, stated: str) -> None:
    assert other_wave(bins_of(WAVES[played]), stated) == (None if stated in (played, "any") else played)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.37])
@pytest.mark.parametrize("stated", ["sine", "triangle"])
def test_a_pulse_of_any_duty(share: float, stated: str) -> None:
    """|sin(pi k d)| / k, the series of any handbook."""
    lines = np.sin(np.pi * K * share) / K
    assert other_wave(bins_of(lines / lines[0]), stated) == "pulse"


@pytest.mark.parametrize(("second", "found"), [(0.30, None), (0.60, "any")])
def test_more_than_a_squares_harmonics_are_no_sines(second: float, found: str | None) -> None:
    """Of no standard wave: H2 to H6 fall by 4 dB each."""
    lines = np.where(K == 1, 1.0, second * 10 ** (-4.0 * (K - 2) / 20))
    assert other_wave(bins_of(lines), "sine") == found
    assert other_wave(bins_of(lines), "triangle") is None


@pytest.mark.parametrize("h3", [0.01, 0.05, 0.2])
def test_a_distorted_sine_is_still_a_sine(h3: float) -> None:
    lines = WAVES["sine"] + h3 * (K == 3)
    assert other_wave(bins_of(lines), "sine") is None


@pytest.mark.parametrize("level", [0.9, 0.8, 0.7, 0.6])
def test_a_sine_clipped_on_both_halves_is_no_triangle(level: float) -> None:
    """Its harmonics are about as strong, but they take from the crests where a triangle's add to them."""
    frames = frames_with(lambda _: np.clip(np.cos(THETA), -level, level))
    bins = gather(frames, np.ones(len(frames), dtype=bool))
    assert bins is not None
    assert other_wave(bins, "sine") is None


def test_a_dead_band_is_no_wider_where_the_slope_is_held() -> None:
    """What the slope's model errs by goes into the dead band there; where all is held nothing else tells its width."""
    dead = np.array([0.03, 0.035, 0.1, 0.22])
    np.testing.assert_array_equal(_dead(dead, np.array([0.4, 0.9, 1.2, 1.8])), [0.03, 0.035, 0.035, 0.035])
    np.testing.assert_array_equal(_dead(dead, np.full(4, 1.2)), dead)


@pytest.mark.parametrize(("share", "percent"), [(0.00009, None), (0.00011, 0.011), (0.03, 3.0)])
def test_a_size_under_a_ten_thousandth_is_left_out(share: float, percent: float | None) -> None:
    assert _most(np.array([0.0, share])) == (None if percent is None else pytest.approx(percent))
