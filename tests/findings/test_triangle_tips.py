"""Rules of a triangle's tips, on frames made of clipped triangles as so many harmonics show them.

The crests and flat spans are those of SciPy's triangle (scipy.signal.sawtooth), clipped, transformed and cut off.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.findings import load_limits
from listen.findings.candidate import Candidate
from listen.findings.rules_waves import _tip_losses, wave_candidates
from listen.findings.threshold_segments import orders_of
from listen.track import Frames
from tests.accounts import plain_frames
from tests.findings.test_clip_tables import TRIANGLE, clipped, seen

N = 60
LIMITS = load_limits(None, gain_control=None, wave="triangle")
ONE, BOTH = "asymmetric-clipping", "symmetric-clipping"


def tips(level: float, both: bool, f0_hz: float, share: float = 1.0, down: bool = False) -> dict[str, np.ndarray]:
    """Crests and flat spans of a cut triangle; ``share`` of the way from a whole tip's flat span to the cut one's."""
    orders = min(int(0.45 * 48_000.0 / f0_hz), 224)
    wave = clipped(TRIANGLE, level, both)
    up, low, flat = seen(wave - wave.mean(), orders)
    own = seen(TRIANGLE, orders)[2]
    flat = own + share * (flat - own)
    columns = {
        "crest_positive": up,
        "crest_negative": low,
        "flat_positive": flat,
        "flat_negative": flat if both else own,
    }
    if down:
        columns = {name: columns[_OTHER[name]] for name in columns}
    return {name: np.full(N, value) for name, value in columns.items()}


_OTHER = {"crest_positive": "crest_negative", "flat_positive": "flat_negative"}
_OTHER |= {value: key for key, value in _OTHER.items()}


def rows_at(f0_hz: float, **columns: Any) -> Frames:
    return plain_frames(N, f0_hz=f0_hz, thd_percent=7.0, **columns)


def said(frames: Frames, known: bool = False, wave: str = "triangle") -> list[Candidate]:
    return wave_candidates(frames, np.ones(len(frames), dtype=bool), wave, LIMITS, known)


def kinds(level: float, both: bool, f0_hz: float, share: float = 1.0, known: bool = False) -> list[str]:
    return [c.kind for c in said(rows_at(f0_hz, **tips(level, both, f0_hz, share)), known)]


def true_loss(level: float, both: bool) -> float:
    """Percent of the crest, from the areas of the tip that is cut off (any handbook's triangle)."""
    mean = 0.25 * (1 - level) ** 2
    wave = clipped(TRIANGLE, level, both)
    first = 2 * abs(np.fft.rfft(wave)[1]) / len(wave)
    return 100 * (1 - level / first / (np.pi**2 / 8) if both else 1 - (level + mean) / (1 - mean))


@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("f0_hz", [250.0, 600.0, 1_500.0])
def test_one_cut_tip_is_told_with_its_half_and_loss(f0_hz: float, down: bool) -> None:
    columns = tips(0.8, False, f0_hz, down=down)
    (one,) = said(rows_at(f0_hz, **columns))
    assert (one.kind, one.half, one.half_certain, one.variant) == (ONE, "negative" if down else "positive", True, "tip")
    numbers = one.measured
    assert numbers.crest_loss_percent == pytest.approx(true_loss(0.8, False), abs=0.7)
    low = "negative" if down else "positive"
    other = "positive" if down else "negative"
    assert numbers.flat_over_sine == columns[f"flat_{low}"][0]
    assert numbers.other_crest_over_sine == columns[f"crest_{other}"][0]
    assert (numbers.onset_f0_hz, numbers.thd_worst_percent) == (f0_hz, 7.0)
    assert one.severity == "fault"


@pytest.mark.parametrize("f0_hz", [250.0, 600.0])
def test_both_cut_tips_are_told_with_their_loss(f0_hz: float) -> None:
    (one,) = said(rows_at(f0_hz, **tips(0.75, True, f0_hz)))
    assert (one.kind, one.half, one.variant) == (BOTH, "both", "tips")
    assert one.measured.crest_loss_percent == pytest.approx(true_loss(0.75, True), abs=0.7)
    assert one.measured.thd_worst_percent == 7.0


def test_a_whole_triangle_is_nothing_and_a_cut_square_is_nothing_here() -> None:
    assert kinds(1.0, True, 600.0) == []
    assert said(rows_at(600.0, **tips(0.8, False, 600.0)), wave="square") == []


@pytest.mark.parametrize(("share", "told"), [(0.44, False), (0.56, True), (0.7, True)])
def test_one_tip_is_cut_from_half_way_to_a_clip(share: float, told: bool) -> None:
    assert kinds(0.8, False, 600.0, share) == ([ONE] if told else [])


@pytest.mark.parametrize(("share", "told"), [(0.7, False), (0.8, False), (0.92, True)])
def test_both_tips_are_cut_where_no_low_pass_rounds_them_so(share: float, told: bool) -> None:
    """A first-order filter rounds both to 0.7 of a clip at the most: `test_triangles` has it."""
    assert kinds(0.75, True, 600.0, share) == ([BOTH] if told else [])


@pytest.mark.parametrize(("f0_hz", "asked"), [(190.0, 0.35), (210.0, 0.5), (290.0, 0.5)])
def test_below_200_hz_a_coupling_that_nobody_states_may_tilt_the_flat(f0_hz: float, asked: float) -> None:
    """A shorter part of a tilted flat lies above 98 % of the crest; and the half may be the other one."""
    assert kinds(0.8, False, f0_hz, asked - 0.04) == []
    assert kinds(0.8, False, f0_hz, asked + 0.04) == [ONE]
    assert kinds(0.8, False, f0_hz, 0.46, known=True) == []
    (one,) = said(rows_at(f0_hz, **tips(0.8, False, f0_hz)))
    assert (one.half_certain, one.variant) == ((True, "tip") if f0_hz > 200.0 else (False, "tip_probably"))
    (one,) = said(rows_at(f0_hz, **tips(0.8, False, f0_hz)), known=True)
    assert (one.half_certain, one.variant) == (True, "tip")


def level_of(loss_percent: float) -> float:
    """Level of a cut of both tips with a loss."""
    levels = np.linspace(0.9, 0.3, 61)
    return float(np.interp(loss_percent, [true_loss(level, True) for level in levels.tolist()], levels))


@pytest.mark.parametrize(("percent", "told"), [(13.0, False), (16.5, True), (20.0, True)])
def test_below_200_hz_both_tips_must_have_lost_what_no_coupling_takes(percent: float, told: bool) -> None:
    level = level_of(percent)
    assert kinds(level, True, 150.0) == ([BOTH] if told else [])
    assert kinds(level, True, 150.0, known=True) == [BOTH]
    assert kinds(0.35, True, 150.0, 0.3) == []


@pytest.mark.parametrize(("f0_hz", "told"), [(52.0, False), (65.0, True), (85.0, True)])
def test_below_60_hz_a_coupling_moves_both_crests(f0_hz: float, told: bool) -> None:
    long = {"frame_s": 0.4}
    frames = rows_at(f0_hz, **tips(0.3, True, f0_hz), **long)
    assert [c.kind for c in said(frames)] == ([BOTH] if told else [])
    assert [c.kind for c in said(frames, known=True)] == [BOTH]


@pytest.mark.parametrize(("orders", "told"), [(4, False), (5, False), (6, True), (7, True)])
def test_with_fewer_than_six_harmonics_a_tip_is_round_anyway(orders: int, told: bool) -> None:
    f0_hz = 0.45 * 48_000.0 / (orders + 0.5)
    assert kinds(0.45, False, f0_hz) == ([ONE] if told else [])


def test_the_half_is_that_of_most_of_the_loss() -> None:
    """Most rows lose a little above, the last ones much below: a fifth more of it in all decides, either way."""
    upper, lower = tips(0.88, False, 600.0), tips(0.6, False, 600.0, down=True)
    ratio = true_loss(0.6, False) / true_loss(0.88, False)
    for more, half in ((1.2, "negative"), (1 / 1.2, "positive")):
        # so many rows at the end that their loss is that much more than the others'
        last = round(N * more / (more + ratio))
        assert last * ratio / (N - last) == pytest.approx(more, rel=0.1)
        first = np.arange(N) < N - last
        mixed = {name: np.where(first, upper[name], lower[name]) for name in upper}
        (one,) = said(rows_at(600.0, **mixed))
        assert one.half == half
        # of the rows near the worst alone
        assert one.measured.flat_over_sine == lower["flat_negative"][0]


def test_rows_of_three_quarters_of_the_worst_tell_how_flat_it_is() -> None:
    deep, less, little = (tips(level, False, 600.0) for level in (0.6, 0.68, 0.76))
    assert (
        0.7
        < true_loss(0.68, False) / true_loss(0.6, False)
        < 0.9
        > 0.7
        > true_loss(0.76, False) / true_loss(0.6, False)
    )
    row = np.arange(N)
    mixed = {name: np.where(row < 10, deep[name], np.where(row < 40, less[name], little[name])) for name in deep}
    (one,) = said(rows_at(600.0, **mixed))
    assert one.measured.flat_over_sine == less["flat_positive"][0]


@pytest.mark.parametrize(("loss", "told"), [(0.004, False), (0.006, True), (0.0072, True)])
def test_the_flatness_of_next_to_no_loss_is_noise(loss: float, told: bool) -> None:
    columns = tips(1.0, True, 300.0)
    low = columns["crest_positive"] * (1 - loss)
    one = rows_at(300.0, **(columns | {"crest_positive": low, "flat_positive": np.full(N, 1.0)}))
    both = rows_at(300.0, **(columns | {"crest_positive": low, "crest_negative": low}))
    for frames, name in ((one, "one"), (both, "both")):
        found = _tip_losses(frames, orders_of(frames), True)
        assert bool(np.isfinite(found.share_one).all()) == (told and name == "one")
        # what is not asked is none of both, and as read of one
        if name == "both":
            assert bool((found.both > 0).all()) == told
            assert (found.both == 0).all() or told
        else:
            assert found.one.min() > 90 * loss


def test_a_row_is_explained_once() -> None:
    """Both tips cut, one deeper than the other: the two findings share their rows, and the first one has them."""
    wave = np.clip(TRIANGLE, -0.75, 0.6)
    wave = wave - wave.mean()
    up, low, flat = seen(wave, 36)
    _, _, other = seen(-wave, 36)
    columns = {"crest_positive": up, "crest_negative": low, "flat_positive": flat, "flat_negative": other}
    found = said(rows_at(600.0, **{name: np.full(N, value) for name, value in columns.items()}))
    assert [c.kind for c in found] == [ONE]
