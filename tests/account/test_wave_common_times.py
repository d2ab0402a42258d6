"""A shallow cut of a sawtooth with a dozen harmonics in the file: told along the pitch, where no reset stays a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from listen.account.waves.choose import choose
from listen.account.waves.common_times import with_common_cut
from listen.account.waves.cycle import Cycle, changed
from listen.account.waves.deviation import deviations
from listen.account.waves.edge import fitted
from listen.account.waves.fit import CycleFit
from listen.account.waves.gather import WaveBin
from tests.account.test_wave_fit import bin_of

TOP_HZ = 18.6e3
PITCHES_HZ = (960.0, 1150.0, 1370.0, 1600.0, 1900.0)
RESET_S, POLE_S = 1.7e-6, 1.6e-6


def bins_of(
    *, falls: bool = True, second_order: bool = False, pitches_hz: tuple[float, ...] = PITCHES_HZ, **parts: float
) -> list[WaveBin]:
    """Bins of a sawtooth behind a recorder of 100 kHz, of the first order or a Butterworth of the second."""
    out = []
    for f0_hz in pitches_hz:
        share = 1.0 - RESET_S * f0_hz if falls else RESET_S * f0_hz
        corner = 0.0 if second_order else POLE_S * f0_hz
        cycle = changed(Cycle(share=share, bend=3.0 / f0_hz, corner=corner), parts)
        bin_ = replace(bin_of(cycle, orders=int(TOP_HZ / f0_hz)), f0_hz=f0_hz)
        if second_order:
            at = np.arange(1, len(bin_.lines) + 1) * f0_hz / 100e3
            bin_ = replace(bin_, lines=bin_.lines / (1.0 + 1j * np.sqrt(2.0) * at - at**2))
        out.append(bin_)
    return out


def alone(bins: list[WaveBin]) -> list[CycleFit]:
    fits: list[CycleFit] = []
    for bin_ in reversed(bins):
        fits.append(choose(bin_, "sawtooth", fits[-1] if fits else None))
    return fits[::-1]


@pytest.mark.parametrize(("falls", "name"), [(True, "cut_top"), (False, "cut_bottom")])
def test_a_cut_that_no_bin_tells_by_itself_is_told_along_the_pitch(falls: bool, name: str) -> None:
    bins = bins_of(falls=falls, **{name: 0.02})
    apart = alone(bins)
    assert not any({"cut_top", "cut_bottom"} & set(fit.free) for fit in apart)
    for fit in with_common_cut(bins, apart):
        assert name in fit.free
        assert getattr(fit.cycle, name) == pytest.approx(0.02, rel=0.05)
        assert fit.sigma[name] < 0.005
        # the other tip is whole
        assert fit.cycle.cut_top + fit.cycle.cut_bottom == pytest.approx(0.02, rel=0.05)


@pytest.mark.parametrize("second_order", [True, False])
def test_a_recorders_low_pass_is_no_cut(second_order: bool) -> None:
    _, fits = fitted(bins_of(second_order=second_order), "sawtooth")
    assert not any({"cut_top", "cut_bottom"} & set(fit.free) for fit in fits)


def test_at_one_pitch_it_is_not_told() -> None:
    bins = bins_of(pitches_hz=(1400.0, 1450.0), cut_top=0.02)
    fits = alone(bins)
    assert with_common_cut(bins, fits) == fits


def test_how_long_the_reset_is_stays_as_unsure_as_all_bins_leave_it() -> None:
    """Beside a low-pass that nobody knows, a dozen harmonics tell the two of them together."""
    bins = bins_of(cut_top=0.02)
    for bin_, fit in zip(bins, with_common_cut(bins, alone(bins)), strict=True):
        reset_s = (1.0 - fit.cycle.share) / bin_.f0_hz
        own, _ = deviations(bin_, fit)
        assert own["share"] / bin_.f0_hz > 0.5e-6
        assert abs(reset_s - RESET_S) < 2.0 * own["share"] / bin_.f0_hz


def test_a_cut_beside_a_low_pass_is_found_in_a_single_bin_of_many_harmonics() -> None:
    """The search begins with a reset of 7 us that stands for both: too far from either."""
    f0_hz = 1454.0
    cycle = Cycle(share=1.0 - RESET_S * f0_hz, corner=1.45e-6 * f0_hz, cut_top=0.02)
    fit = choose(replace(bin_of(cycle, orders=29), f0_hz=f0_hz), "sawtooth", None)
    assert set(fit.free) == {"share", "bend", "corner", "cut_top"}
    assert fit.cycle.cut_top == pytest.approx(0.02, rel=0.05)


def test_a_low_pass_that_a_ripple_would_hide_does_not_move_the_bow() -> None:
    """Handbook: a first-order low-pass turns line k by less than its delay, by (k w tau)^3 / 3."""
    bins = bins_of(pitches_hz=(710.0, 880.0, 1050.0))
    _, fits = fitted(bins, "sawtooth")
    for bin_, fit in zip(bins, fits, strict=True):
        assert fit.cycle.corner / bin_.f0_hz == pytest.approx(POLE_S, rel=0.05)
        assert fit.cycle.bend == pytest.approx(3.0 / bin_.f0_hz, abs=6e-5)


def test_what_a_moving_pitch_smears_is_no_cut() -> None:
    """A smear s takes (2 pi k s)^2 / 2 off a line, in the lower bins, where the turn is quicker, more."""
    bins = [
        replace(
            bin_,
            smear=smear,
            lines=bin_.lines * np.exp(-0.5 * (2 * np.pi * smear * np.arange(1, len(bin_.lines) + 1)) ** 2),
        )
        for bin_, smear in zip(bins_of(), (3e-3, 2e-3, 1e-3, 0.0, 0.0), strict=True)
    ]
    fits = alone(bins)
    assert not any({"cut_top", "cut_bottom"} & set(fit.free) for fit in fits)
    assert with_common_cut(bins, fits) == fits
    # without that it would be one
    still = [replace(bin_, smear=0.0) for bin_ in bins]
    assert any({"cut_top", "cut_bottom"} & set(fit.free) for fit in with_common_cut(still, fits))
