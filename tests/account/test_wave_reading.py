"""What a wave's shape says, read from cycles that are known: bows, losses, spikes, levels, times, row by row.

Outside checks: SciPy's sawtooth and square (scipy.signal), and the series of handbooks.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import signal

from listen.account.waves.cycle import Cycle, bow_of, changed, draw, lines_of
from listen.account.waves.fit import fit_cycle, line_sigma
from listen.account.waves.gather import WaveBin, gather
from listen.account.waves.part import wave_part
from listen.account.waves.read import (
    WaveShape,
    _bows,
    _excused,
    _gain_db,
    _ideal,
    _loss_sigma,
    _losses,
    _residual_even,
    _smeared,
    _spike_sigma,
    read_wave,
)
from listen.account.waves.recorder import times_without_recorder
from tests.account.test_wave_fit import bin_of
from tests.accounts import plain_frames

POINTS = 1 << 12
PLACE = np.arange(POINTS) / POINTS
K = np.arange(1.0, 41.0)


@pytest.mark.parametrize(
    ("wave", "share", "plain"),
    [
        ("triangle", 0.46, signal.sawtooth(2 * np.pi * PLACE, 0.5)),
        ("sawtooth", 0.97, signal.sawtooth(2 * np.pi * PLACE, 1.0)),
        ("sawtooth", 0.03, signal.sawtooth(2 * np.pi * PLACE, 0.0)),
        ("square", 0.46, signal.square(2 * np.pi * PLACE, 0.5)),
        ("pulse", 0.2, signal.square(2 * np.pi * PLACE, 0.2) + 0.6),
    ],
)
def test_the_plain_wave_beside_a_cycle_is_scipys(wave: str, share: float, plain: np.ndarray) -> None:
    found = draw(_ideal(wave, share, np.arange(1.0, 400.0)), POINTS)
    assert np.sqrt(np.mean((found - 0.5 * plain) ** 2)) < 0.03


def fits_of(f0_hz: np.ndarray, corner_hz: float, share: float = 0.5) -> tuple[Any, ...]:
    return tuple(SimpleNamespace(cycle=Cycle(share=share, bend=corner_hz / f0)) for f0 in f0_hz.tolist())


@pytest.mark.parametrize("share", [0.3, 0.5, 0.99])
@pytest.mark.parametrize(("corner_hz", "excused_hz"), [(0.0, 0.0), (7.0, 7.0), (18.0, 18.0), (32.0, 20.0)])
def test_a_coupling_of_up_to_20_hz_bows_the_slopes_for_nothing(
    corner_hz: float, excused_hz: float, share: float
) -> None:
    """Where nobody states the input's corner; more than any input's stays, and so does all where it is stated."""
    f0 = np.array([100.0, 300.0, 900.0])
    fits, longest = fits_of(f0, corner_hz, share), max(share, 1 - share)
    bow, sigma = _bows(fits, np.full(3, 1e-5), f0, "triangle", False)
    left = [bow_of((corner_hz - excused_hz) / f * longest) for f in f0.tolist()]
    assert bow == pytest.approx(left, abs=2e-4)
    # a bow is an eighth of what the slope's rate turns over its length
    assert sigma == pytest.approx(2 * np.pi * 1e-5 * longest / 8.0)
    bow, sigma = _bows(fits, np.full(3, 1e-5), f0, "triangle", True)
    assert bow == pytest.approx([bow_of(corner_hz / f * longest) for f in f0.tolist()])
    # a stated corner is written to a decimal
    assert sigma == pytest.approx(2 * np.pi * np.hypot(1e-5, 0.05 / f0) * longest / 8.0)
    for wave in ("square", "pulse"):
        assert np.isnan(_bows(fits, np.full(3, 1e-5), f0, wave, True)).all()


def test_the_corner_that_is_excused_leaves_the_least_bow_anywhere() -> None:
    """Bends of no one corner: against a search in steps of 10 mHz."""
    f0, bend = np.array([100.0, 200.0, 400.0]), np.array([0.09, 0.03, 0.02])
    sigma = np.array([0.001, 0.004, 0.0])
    corners = np.arange(0.0, 20.0, 0.01)
    worst = np.max(np.maximum(np.abs(bend - corners[:, None] / f0) - sigma, 0.0), axis=1)
    assert _excused(bend, sigma, f0) == pytest.approx(corners[np.argmin(worst)], abs=0.1)
    # where deviations cover all of it the least corner does
    assert _excused(bend, np.full(3, 0.1), f0) == 0.0


@pytest.mark.parametrize(("top", "bottom"), [(0.1, 0.0), (0.0, 0.1), (0.2, 0.05), (0.15, 0.15), (0.0, 0.0)])
@pytest.mark.parametrize("share", [0.5, 0.98])
def test_losses_are_those_of_the_clipped_wave(top: float, bottom: float, share: float) -> None:
    wave = np.clip(0.5 + 0.5 * signal.sawtooth(2 * np.pi * (PLACE + 0.5 / POINTS), share), bottom, 1 - top)
    wave = wave - wave.mean()
    up, down = wave.max(), -wave.min()
    one, both = _losses(Cycle(share=share, cut_top=top, cut_bottom=bottom), "triangle" if share == 0.5 else "sawtooth")
    wanted = 1 - up / down if up < down else -(1 - down / up)
    assert one == pytest.approx(wanted, abs=1e-3)
    least = min(top, bottom)
    if share == 0.5:
        # of a triangle over its fundamental, 4 / pi^2 of its height
        first = 2 * abs(np.mean(wave * np.exp(-2j * np.pi * PLACE)))
        assert both == pytest.approx(1 - (1 - 2 * least) / (first * np.pi**2 / 4), abs=1e-3)
    else:
        assert both == pytest.approx(2 * least)


def test_a_loss_is_as_sure_as_the_cut_of_the_whole_height() -> None:
    """A crest is half the height: 1 % of the height is 2 % of it."""
    for sigma, wanted in (({}, 0.0), ({"cut_top": 0.01}, 0.02), ({"cut_bottom": 0.01}, 0.02)):
        assert _loss_sigma(SimpleNamespace(sigma=sigma)) == pytest.approx(wanted)
    assert _loss_sigma(SimpleNamespace(sigma={"cut_top": 0.03, "cut_bottom": 0.04})) == pytest.approx(0.1)


def test_a_smear_and_a_time_add_as_squares() -> None:
    time, smear = np.array([5.0, 0.0, 1.0]), np.array([3.0, 1.0, 2.0])
    assert _smeared(time, smear) == pytest.approx([1.0, 0.0, 1.0])


SPIKE = ("share", "spike_area", "spike_at", "spike_width")


def spike_sigma(smear: float, free: tuple[str, ...] = SPIKE, **cycle: Any) -> float:
    bin_ = replace(bin_of(Cycle(share=0.5), orders=30), smear=smear)
    return _spike_sigma(bin_, SimpleNamespace(gain=0.7, cycle=Cycle(**cycle), free=free))


def test_the_deviation_of_a_short_spikes_area_is_that_of_least_squares() -> None:
    bin_ = bin_of(Cycle(share=0.5), orders=30)
    each = line_sigma(bin_.lines, bin_.sigma)
    k = np.arange(1.0, 31.0)
    effect = 2 * 0.7 * np.exp(-2j * np.pi * k * 0.23) / each
    rows = np.concatenate([effect.real, effect.imag])[:, None]
    own = float(np.sqrt(np.linalg.inv(rows.T @ rows)[0, 0]))
    assert spike_sigma(0.0, share=0.5, spike_at=0.23) == pytest.approx(own)
    # where none was found it may be at a jump, which a moving pitch smears
    assert spike_sigma(0.01, ("share",), share=0.5) == pytest.approx(np.hypot(own, 0.01))


@pytest.mark.parametrize(
    ("cycle", "near"),
    [
        # three lengths from a jump nothing of a spike is left there
        ({"share": 0.998, "spike_at": 0.025, "spike_width": 0.01}, True),
        ({"share": 0.998, "spike_at": 0.036, "spike_width": 0.01}, False),
        ({"share": 0.998, "spike_at": 0.036, "spike_tail": 0.013}, True),
        ({"share": 0.998, "spike_at": -0.025, "spike_width": 0.01}, True),
        ({"share": 0.998, "spike_at": 0.96, "spike_width": 0.01}, False),
        ({"share": 0.998, "spike_at": 1.002, "spike_width": 0.0}, True),
        # a slow reset has two ends, and one of a tenth of the cycle is a slope
        ({"share": 0.93, "spike_at": 0.93, "spike_width": 0.004}, True),
        ({"share": 0.88, "spike_at": 0.88, "spike_width": 0.004}, False),
        ({"share": 0.5, "spike_at": 0.0, "spike_width": 0.04}, False),
        ({"share": 0.07, "spike_at": 0.0, "spike_width": 0.004}, True),
        # a pulse jumps twice, whatever its share
        ({"pulse": True, "share": 0.5, "spike_at": 0.5, "spike_width": 0.004}, True),
        ({"pulse": True, "share": 0.5, "spike_at": 0.25, "spike_width": 0.004}, False),
    ],
)
def test_beside_a_jump_a_spike_may_be_its_smear(cycle: dict[str, Any], near: bool) -> None:
    smear = 0.002
    assert spike_sigma(smear, **cycle) > smear if near else spike_sigma(smear, **cycle) < 0.5 * smear


def test_the_level_of_a_wave_with_parts_over_the_plain_one() -> None:
    bin_ = bin_of(Cycle(share=0.5), orders=40)
    cycle = Cycle(share=0.48, bend=0.05, corner=0.05, cut_top=0.1)
    plain = Cycle(share=0.48, bend=0.05)
    power = [np.mean(np.abs(lines_of(c, K)) ** 2) for c in (cycle, plain)]
    assert _gain_db(bin_, cycle) == pytest.approx(10 * np.log10(power[0] / power[1]))
    assert _gain_db(bin_, plain) == 0.0
    # a low-pass of the fundamental's own corner takes 3 dB of a sine
    assert _gain_db(bin_, Cycle(share=0.5, corner=1 / (2 * np.pi))) == pytest.approx(-3.0, abs=0.1)


def test_even_harmonics_are_counted_to_the_tenth() -> None:
    made = bin_of(Cycle(share=0.5), orders=20, noise=0.0)
    fit = fit_cycle(made.lines, np.full(20, 1e-6), Cycle(share=0.5), ("share",))
    more = np.zeros(20, dtype=complex)
    more[[1, 3, 9]] = 0.003, 0.004j, 0.012
    more[[2, 11]] = 0.5
    bin_ = SimpleNamespace(lines=made.lines + more)
    assert _residual_even(bin_, fit) == pytest.approx(0.013, rel=1e-3)
    assert _residual_even(SimpleNamespace(lines=made.lines[:1]), fit) == 0.0


# of a whole reading: rows of a turn that rests at some pitches, times fixed in seconds

RATE_HZ, ROWS = 96_000.0, 12
PITCHES = np.array([220.0, 440.0, 880.0])
F0 = np.repeat(PITCHES, ROWS)


def cycle_at(f0_hz: float, wave: str) -> Cycle:
    pulse = wave in ("square", "pulse")
    share = {"sawtooth": 1 - 25e-6 * f0_hz, "triangle": 0.47, "square": 0.52, "pulse": 0.3}[wave]
    return Cycle(pulse=pulse, share=share, bend=3.0 / f0_hz, corner=12e-6 * f0_hz)


def taken(wave: str, *, pole_hz: float = 0.0, share_of: dict[int, float] | None = None, **more: Any) -> tuple[Any, Any]:
    """Frames, and the harmonics of their rows, each begun anywhere."""
    rng = np.random.default_rng(4)
    frames = plain_frames(len(F0), f0_hz=F0, rate_hz=RATE_HZ)
    lines = []
    for i, f0_hz in enumerate(F0.tolist()):
        k = np.arange(1.0, min(int(0.45 * RATE_HZ / f0_hz), 120) + 1)
        cycle = changed(cycle_at(f0_hz, wave), more)
        if share_of and i in share_of:
            cycle = changed(cycle, {"share": share_of[i]})
        own = 0.4 * lines_of(cycle, k) * np.exp(-2j * np.pi * k * rng.random())
        own = own / (1 + 1j * k * f0_hz / pole_hz) if pole_hz else own
        noise = 2e-6 * (rng.standard_normal(len(k)) + 1j * rng.standard_normal(len(k)))
        lines.append(np.concatenate([[0.0], own + noise]))
    return frames, SimpleNamespace(time_s=frames.time_s.copy(), lines=lines)


def read(wave: str, response_hz: float | None = None, coupling_known: bool = True, **more: Any) -> WaveShape:
    frames, store = taken(wave, **more)
    rows = np.ones(len(frames), dtype=bool)
    shape = read_wave(frames, rows, store, wave, coupling_known=coupling_known, response_hz=response_hz)
    assert shape is not None
    return shape


@pytest.mark.parametrize("wave", ["sawtooth", "triangle", "square"])
def test_times_are_seconds_at_every_pitch(wave: str) -> None:
    shape = read(wave)
    np.testing.assert_allclose(shape.f0_hz, PITCHES)
    np.testing.assert_allclose(shape.corner_s[np.isfinite(shape.corner_s)], 12e-6, atol=1.2e-6)
    assert np.isfinite(shape.corner_s).all() or wave == "sawtooth"
    np.testing.assert_allclose(shape.bend, 3.0 / PITCHES, atol=3e-4)
    assert (shape.coupling_known, shape.response_known) == (True, False)
    name, free = ("duty", "rise") if wave == "square" else ("rise", "duty")
    assert np.isnan(shape.rows[free]).all()
    truth = np.array([cycle_at(f, wave).share for f in F0.tolist()])
    # beside a step of the pitch there is no telling
    own = np.isfinite(shape.rows[name])
    assert np.flatnonzero(~own).tolist() == [11, 12, 23, 24]
    np.testing.assert_allclose(shape.rows[name][own], truth[own], atol=4e-4)
    np.testing.assert_allclose(shape.share, truth[::ROWS], atol=4e-4)
    assert (shape.rows["spike"][own] == 0.0).all()
    if wave == "sawtooth":
        np.testing.assert_allclose(shape.reset_s, 25e-6, atol=2e-6)
        np.testing.assert_allclose(shape.rows["reset_s"][own], 25e-6, atol=3e-6)
        np.testing.assert_allclose(shape.reset_sigma_s * PITCHES, shape.share_sigma)
    else:
        assert np.isnan(shape.reset_s).all()
        np.testing.assert_allclose(shape.rows["corner_s"][own], 12e-6, atol=2e-6)
    single = [_spike_sigma(b, f) / b.f0_hz for b, f in zip(shape.bins, shape.fits, strict=True)]
    # noise comes to five deviations once in a million places
    np.testing.assert_allclose(shape.spike_limit_s, 5 * np.array(single))
    assert (shape.spike, shape.tips_known.tolist()) == (pytest.approx(0.0), [True] * 3)


def test_a_known_recorders_low_pass_is_undone() -> None:
    behind = read("triangle", pole_hz=20e3, corner=0.0)
    undone = read("triangle", pole_hz=20e3, corner=0.0, response_hz=20e3)
    np.testing.assert_allclose(behind.corner_s, 7.96e-6, atol=0.4e-6)
    np.testing.assert_allclose(undone.corner_s, 0.0, atol=0.8e-6)
    assert undone.response_known


@pytest.mark.parametrize("wave", ["sawtooth", "triangle"])
def test_what_an_ordinary_recorder_would_have_rounded_is_taken_off(wave: str) -> None:
    """A pole of 110 kHz is 1.45 us: behind it nothing is left of such a corner, and a slow reset is as long."""
    bins, fits = [], []
    k = np.arange(1.0, 61.0)
    for f0_hz in PITCHES.tolist():
        cycle = changed(cycle_at(f0_hz, wave), {"corner": 0.0, "bend": 0.0})
        made = bin_of(cycle, orders=60, noise=1e-6)
        made = replace(made, f0_hz=f0_hz, lines=made.lines / (1 + 1j * k * f0_hz / 110e3))
        bins.append(made)
        free = ("share", "bend", "corner") if wave == "triangle" else ("share", "bend")
        fits.append(fit_cycle(made.lines, made.sigma, cycle, free))
    shape: Any = SimpleNamespace(wave=wave, bins=bins, fits=fits, f0_hz=PITCHES)
    reset, corner = times_without_recorder(shape)
    if wave == "sawtooth":
        np.testing.assert_allclose(reset, 25e-6, atol=0.5e-6)
        assert np.isnan(corner).all()
    else:
        assert np.isnan(reset).all()
        assert [f.cycle.corner / b.f0_hz for f, b in zip(fits, bins, strict=True)] == pytest.approx(
            [1.45e-6] * 3, rel=0.1
        )
        np.testing.assert_allclose(corner, 0.0, atol=0.3e-6)


def test_a_row_of_another_share_is_read_as_that() -> None:
    rise = read("triangle", share_of={5: 0.474}).rows["rise"]
    assert rise[5] == pytest.approx(0.474, abs=3e-4)
    assert rise[[0, 1, 2, 3, 4, 6, 7, 8, 20, 30]] == pytest.approx(0.47, abs=3e-4)


def test_values_between_bins_are_linear_in_octaves() -> None:
    shape = read("triangle")
    values = np.array([1.0, np.nan, 3.0])
    assert shape.at(values, np.array([110.0, 220.0, 440.0, 880.0, 1760.0])) == pytest.approx([1, 1, 2, 3, 3])
    assert np.isnan(shape.at(np.full(3, np.nan), PITCHES)).all()
    part = wave_part(shape, start_s=0.0, end_s=1.0, f0_low_hz=220.0, f0_high_hz=880.0)
    assert part.rise_percent == pytest.approx(47.0, abs=0.05)
    assert part.corner_us == pytest.approx(12.0, abs=1.0)
    assert part.reset_us is None
    assert part.sigma["rise_percent"] == pytest.approx(100 * shape.share_sigma.min())
    assert part.spike_percent is None


def test_one_cycle_is_drawn_from_its_foot_over_its_height() -> None:
    measured, ideal = read("pulse").mean_cycle(1, 256)
    place = np.arange(256) / 256
    # a pulse of 0.3 without its mean: 0.7 above, 0.3 below
    assert ideal[(place > 0.05) & (place < 0.25)] == pytest.approx(0.7, abs=0.03)
    assert measured[(place > 0.1) & (place < 0.25)] == pytest.approx(0.7, abs=0.05)
    assert ideal[(place > 0.35) & (place < 0.95)] == pytest.approx(-0.3, abs=0.03)


# bins of pitch


def gathered(f0_hz: np.ndarray, every: np.ndarray | None = None, **options: Any) -> tuple[WaveBin, ...]:
    frames = plain_frames(len(f0_hz), f0_hz=f0_hz, rate_hz=RATE_HZ, **options)
    k = np.arange(1.0, 21.0)
    lines = [np.concatenate([[0.0], 0.4 * lines_of(Cycle(share=0.47), k)]) for _ in f0_hz]
    rows = np.ones(len(f0_hz), dtype=bool) if every is None else every
    return gather(frames, rows, SimpleNamespace(time_s=frames.time_s.copy(), lines=lines), None)


@pytest.mark.parametrize(("rows", "bins"), [(2, 0), (3, 1), (8, 1)])
def test_of_fewer_than_three_rows_there_is_no_scatter(rows: int, bins: int) -> None:
    assert len(gathered(np.full(rows, 440.0))) == bins


def test_a_quick_stroke_is_left_out_where_other_rows_are_near() -> None:
    """Frames of 40 ms: at 6 octaves a second they move 0.24 octaves, at 13 more than half of one."""
    rest, quick = np.full(20, 440.0), 440.0 * 2 ** (6.0 * 0.02 * np.arange(1, 10))
    found = gathered(np.concatenate([rest, quick]))
    assert found[0].f0_hz == 440.0
    assert found[0].smear < 1e-6
    alone = gathered(440.0 * 2 ** (3.2 * 0.02 * np.arange(20)))
    assert len(alone) >= 2
    # a thousandth to seven of a cycle for each octave over the frame
    assert all(1e-3 < bin_.smear / (3.2 * 0.04) < 7e-3 for bin_ in alone)
    # near the rest, but over its frame the pitch moves by 0.135 octaves
    begun = 440.0 * 2 ** (0.045 + 0.09 * np.arange(6))
    (only,) = gathered(np.concatenate([rest, begun]))
    assert (only.f0_hz, only.width_octaves) == (440.0, 0.0)
    assert len(gathered(440.0 * 2 ** (13.0 * 0.02 * np.arange(20)))) == 0
    assert len(gathered(440.0 * 2 ** (11.0 * 0.02 * np.arange(20)))) > 0


def test_rows_far_apart_in_pitch_are_no_bin_beside_others() -> None:
    rest, few = np.full(20, 440.0), np.array([700.0, 880.0, 1_100.0])
    assert [bin_.f0_hz for bin_ in gathered(np.concatenate([np.repeat(few, 1), rest]))] == [440.0]
    (only,) = gathered(few, frame_s=0.001)
    assert only.width_octaves == pytest.approx(np.log2(1_100 / 700), rel=1e-6)


def test_each_bin_is_a_quarter_of_an_octave_and_its_mean_near_the_middle() -> None:
    f0 = np.geomspace(200.0, 799.9, 400)
    found = gathered(f0, frame_s=0.001)
    assert len(found) == 8
    for bin_ in found:
        assert 0.08 < bin_.width_octaves < 0.1
        assert len(bin_.rows) == pytest.approx(50, abs=1)
        want = lines_of(Cycle(share=0.47), np.arange(1.0, 21.0))
        np.testing.assert_allclose(np.abs(bin_.lines), np.abs(want / want[0])[: len(bin_.lines)], atol=1e-6)
        assert bin_.amplitude_fs == pytest.approx(0.4 * abs(want[0]))
        assert (bin_.sigma < 1e-9).all()
