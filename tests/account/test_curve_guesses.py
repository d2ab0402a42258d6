"""Starts of a curve's fit: tables against transformed waves, costs against plain least squares, parts found again.

Outside checks: numpy's transform of one cycle; a follower of unlike limits, stepped; a resistor beside two diodes,
whose equation v + sinh(v / w) / sinh(1 / w) = i is solved by bisection.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from listen.account.curve import guess
from listen.account.curve.bins import Bins
from listen.account.curve.guess import Guess, Tables, UnexplainedHarmonics, guesses, of_a_sine, stages_with
from listen.account.curve.model import Stages
from listen.account.curve.parameters import LEFTOVER_SIGMA

POINTS = 2048
THETA = 2 * np.pi * np.arange(POINTS) / POINTS
SINE = np.cos(THETA)
N = 6
PITCHES = np.geomspace(500.0, 2_000.0, N)


def lines_of(wave: np.ndarray) -> np.ndarray:
    """H2 .. H10 over H1, phases against it."""
    spectrum = np.fft.rfft(wave)[1:11]
    ratio = spectrum / spectrum[0] * np.exp(-1j * np.angle(spectrum[0]) * np.arange(0, 10))
    return np.asarray(ratio[1:])


def bins_with(r: np.ndarray, level: np.ndarray | None = None, own: int = -1, orders: int = 10) -> Bins:
    n = len(r)
    sigma = np.full((n, 9), 3e-4)
    sigma[:, orders - 1 :] = np.inf
    return Bins(
        f0_hz=PITCHES[:n],
        amplitude_fs=np.full(n, 0.3) if level is None else level,
        r=np.where(np.isfinite(sigma), r, 0.0),
        sigma=sigma,
        noise=sigma,
        count=np.full(n, 9),
        own=np.full(5, own, dtype=np.int64),
        weight=0.8,
    )


def best(r: np.ndarray, *, far: bool = True, **more: Any) -> list[Guess]:
    bins = bins_with(r, **more)
    return guesses(bins, bins.r, of_a_sine(), far=far)


def clipped(level: float, letter: str) -> np.ndarray:
    top = level if letter in "PT" else 2.0
    bottom = level if letter in "NT" else 2.0
    return np.clip(SINE, -bottom, top)


def banded(band: float) -> np.ndarray:
    return np.asarray(np.sign(SINE) * np.maximum(np.abs(SINE) - band, 0.0))


def followed(steep: float, lean: float = 0.0) -> np.ndarray:
    """A settled follower whose rising limit is exp(lean) of the mean and its falling one as far on the other side."""
    step = 2 * np.pi / POINTS / steep
    up, down = step * np.exp(lean), step * np.exp(-lean)
    y, out = 1.0, np.empty(4 * POINTS)
    for i, x in enumerate(np.tile(SINE, 4).tolist()):
        y += min(max(x - y, -down), up)
        out[i] = y
    return out[-POINTS:]


def bent(size: float, at: float, width: float = 0.07) -> np.ndarray:
    """A sine with the voltage of a resistor and two diodes in series with it, by bisection."""
    current = np.abs(SINE) / at
    low, high = np.zeros(POINTS), np.maximum(current, 1.0) * 1.2
    for _ in range(60):
        middle = 0.5 * (low + high)
        with np.errstate(over="ignore"):
            over = middle + np.sinh(middle / width) / np.sinh(1 / width) > current
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.asarray(SINE + size * np.sign(SINE) * 0.5 * (low + high))


def test_the_misfit_is_that_of_the_best_constant_harmonics_of_the_build() -> None:
    """Against the minimum of weighted squares plus the build's own over their widths, order by order."""
    rng = np.random.default_rng(3)
    r = 0.01 * (rng.standard_normal((N, 9)) + 1j * rng.standard_normal((N, 9)))
    bins = bins_with(r, orders=8)
    what = UnexplainedHarmonics(bins, bins.r)
    lines = 0.01 * (rng.standard_normal((2, N, 9)) + 1j * rng.standard_normal((2, N, 9)))
    for one, found in zip(lines, what.cost(lines), strict=True):
        wanted = 0.0
        for k in np.flatnonzero(bins.fits[0]).tolist():
            w, rest = 0.8 / bins.sigma[:, k] ** 2, bins.r[:, k] - one[:, k]
            own = np.sum(w * rest) / (w.sum() + 1 / LEFTOVER_SIGMA[k] ** 2)
            wanted += float(np.sum(w * np.abs(rest - own) ** 2) + abs(own) ** 2 / LEFTOVER_SIGMA[k] ** 2)
        assert found == pytest.approx(wanted)
    table = 0.01 * (rng.standard_normal((7, 9)) + 1j * rng.standard_normal((7, 9)))
    off = np.sum(np.abs(bins.r[:, None] - table)[:, :, :7] ** 2, axis=2)
    np.testing.assert_array_equal(what.nearest(table), np.argmin(off, axis=1))
    assert what.price == pytest.approx(np.log(2 * N * 7 * 0.8))


@pytest.mark.parametrize("letter", ["P", "N", "T"])
def test_clip_tables_are_clipped_cosines(letter: str) -> None:
    table = of_a_sine().clip[letter]
    for place in (0, 8, 16, 24, 40):
        assert table[place] == pytest.approx(lines_of(clipped(float(guess._LEVELS[place]), letter)), abs=1.5e-3)
    # just above the crest a rounded knee is next to nothing
    assert np.abs(table[-1]).max() < 2e-4
    assert np.abs(table[54]).max() < 3e-3


def test_tables_of_dead_bands_and_diodes() -> None:
    tables = of_a_sine()
    for band, row in zip(guess._DEAD[1:].tolist(), tables.dead[1:], strict=True):
        # a band's corners are rounded by 0.4 % of the amplitude
        assert row == pytest.approx(lines_of(banded(band)), abs=1.2e-3)
    for (size, at), row in zip(tables.sizes, tables.bend, strict=True):
        assert row == pytest.approx(lines_of(bent(size, at)), abs=1e-3)


@pytest.mark.parametrize("lean", [0.0, -0.1, 0.25])
def test_tables_of_slewing_are_followers(lean: float) -> None:
    tables = of_a_sine()
    place = guess._LEANS.index(lean)
    for steep, row in zip(guess._STEEP.tolist(), tables.slew[place], strict=True):
        if steep in (1.05, 1.2, 1.5, 1.7):
            assert row == pytest.approx(lines_of(followed(steep, lean)), abs=4e-3)


def test_bends_are_a_factor_of_two_apart() -> None:
    for grid in (guess._BENDS, guess._BENDS_AT):
        ratio = np.divide(grid[1:], grid[:-1])
        assert ((ratio > 1.7) & (ratio < 2.6)).all()
    thirds = np.abs(of_a_sine().bend[:, 1])
    # from what is next to nothing to a tenth
    assert 20 * np.log10(thirds.min()) == pytest.approx(-49.0, abs=1.5)
    assert 20 * np.log10(thirds.max()) == pytest.approx(-19.0, abs=1.5)
    leans = np.array(sorted(guess._LEANS))
    np.testing.assert_allclose(leans, -leans[::-1])
    # the furthest limits are 1.6 times each other
    assert np.exp(2 * leans[-1]) == pytest.approx(1.65, abs=0.1)


def repeated(wave: np.ndarray) -> np.ndarray:
    return np.tile(lines_of(wave), (N, 1))


@pytest.mark.parametrize("letter", ["P", "N", "T"])
@pytest.mark.parametrize("level", [0.42, 0.76, 0.93])
def test_a_clip_at_a_share_of_the_amplitude_is_guessed(letter: str, level: float) -> None:
    found = best(repeated(clipped(level, letter)), level=0.3 * np.geomspace(1.0, 2.0, N))
    first = found[0]
    assert (first.letter, first.way) == (letter, "share")
    assert first.start[letter] == pytest.approx(level, abs=0.02)


def test_a_clip_at_a_level_in_volts_is_guessed() -> None:
    level = 0.3 * np.geomspace(1.0, 0.6, N)
    lines = np.array([lines_of(clipped(min(0.7 * level[0] / one, 1.0), "P")) for one in level.tolist()])
    (first, *_) = best(lines, level=level)
    assert (first.letter, first.way) == ("P", "fs")
    assert first.start["P"] == pytest.approx(0.7, abs=0.02)


def test_a_clip_that_wanders_along_the_pitch_is_guessed_where_much_is_left() -> None:
    levels = np.array([0.95, 0.6, 1.3, 0.8, 0.99, 0.5])
    lines = np.array([lines_of(clipped(min(level, 1.0), "P")) for level in levels.tolist()])
    (first, *_) = best(lines)
    assert (first.letter, first.way) == ("P", "along")
    assert first.start["P"][[0, 1, 3, 5]] == pytest.approx(levels[[0, 1, 3, 5]], abs=0.02)
    # nothing is clipped there: just above the crest
    assert 1.0 < first.start["P"][2] < 1.06
    assert all(one.way != "along" for one in best(lines, far=False))


@pytest.mark.parametrize("band", [0.01, 0.05, 0.15])
def test_a_dead_band_is_guessed(band: float) -> None:
    first = best(repeated(banded(band)))[0]
    assert first.letter == "D"
    assert first.start["D"] == pytest.approx(band, rel=0.35)


def test_a_dead_band_that_wanders_is_guessed() -> None:
    bands = np.array([0.01, 0.1, 0.02, 0.15, 0.05, 0.01])
    first = best(np.array([lines_of(banded(band)) for band in bands.tolist()]))[0]
    assert first.letter == "d"
    assert first.start["d"] == pytest.approx(bands, rel=0.35)


@pytest.mark.parametrize(("onset_hz", "lean"), [(900.0, 0.0), (1_200.0, 0.0), (1_000.0, 0.25), (1_000.0, -0.1)])
def test_a_limited_slope_is_guessed_with_its_onset(onset_hz: float, lean: float) -> None:
    lines = np.array([lines_of(followed(f / onset_hz, lean)) for f in PITCHES.tolist()])
    found = best(lines)
    assert (found[0].letter, found[0].start["lean"]) == ("S", lean)
    by_pitch = next(one for one in found if (one.letter, one.way) == ("S", "hz"))
    assert by_pitch.start["S"] == pytest.approx(np.log(onset_hz / 2_000.0), abs=0.06)
    # the level falls where it slews: in volts a second of what is seen
    level = np.array([np.abs(np.fft.rfft(followed(f / onset_hz, lean))[1]) * 2 / POINTS for f in PITCHES.tolist()])
    in_volts = next(one for one in best(lines, level=0.3 * level) if (one.letter, one.way) == ("S", "fs"))
    seen = PITCHES * level
    assert in_volts.start["S"] == pytest.approx(np.log(onset_hz / seen.max()), abs=0.06)


def test_diodes_are_guessed() -> None:
    found = [one for one in best(repeated(bent(0.2, 0.3))) if one.letter == "B"]
    assert found[0].start == {"B": 0.2, "q": pytest.approx(np.log(0.3))}


@pytest.mark.parametrize(("order", "letter"), [(0, "e"), (1, "o")])
def test_curves_are_guessed_with_their_phase(order: int, letter: str) -> None:
    r = np.zeros((N, 9), dtype=complex)
    r[:, order] = 0.02 - 0.03j
    first = next(one for one in best(r) if one.letter == letter)
    assert (first.start[letter + "r"], first.start[letter + "i"]) == (pytest.approx(0.02), pytest.approx(-0.03))
    walk = r.copy()
    walk[:, order] *= np.linspace(-1.0, 1.0, N)
    first = best(walk)[0]
    assert first.letter == letter.upper()
    assert first.start[first.letter + "i"] == pytest.approx(walk[:, order].imag)


@pytest.mark.parametrize(
    ("bins", "own", "orders", "letters", "wandering"),
    [
        (6, -1, 10, "PNTDSBeo", True),
        (3, -1, 10, "PNTDSBeo", True),
        (2, -1, 10, "PNTDSBeo", False),
        # of two states at one pitch there is something to wander between
        (2, 0, 10, "PNTDSBeo", True),
        (6, -1, 2, "PNTe", True),
        (6, -1, 3, "PNTDSBeo", True),
    ],
)
def test_what_is_tried_where_so_much_is_known(bins: int, own: int, orders: int, letters: str, wandering: bool) -> None:
    found = best(np.full((bins, 9), 0.01 + 0j), own=own, orders=orders)
    assert {one.letter for one in found if one.letter not in "EOd"} == set(letters)
    assert any(one.letter in "EOd" for one in found) == wandering
    assert any(one.way == "along" for one in found) == wandering
    assert any(one.way == "hz" for one in found) == (wandering and "S" in letters)


@pytest.mark.parametrize(
    ("base", "letter", "way", "parts", "knee"),
    [
        ("", "P", "fs", "P", "fs"),
        ("P", "P", "fs", None, ""),
        ("N", "P", "along", "NP", "along"),
        ("NP", "T", "share", "T", "share"),
        ("T", "P", "fs", "NP", "fs"),
        ("T", "N", "fs", "NP", "fs"),
        ("e", "E", "", None, ""),
        ("O", "o", "", None, ""),
        ("D", "d", "", None, ""),
        ("d", "D", "", None, ""),
        ("e", "o", "", "eo", "share"),
        ("P", "S", "hz", "PS", "share"),
    ],
)
def test_a_part_is_added_once_and_takes_the_place_of_its_twin(
    base: str, letter: str, way: str, parts: str | None, knee: str
) -> None:
    one = Guess(letter=letter, way=way, cost=0.0, start={})
    found = stages_with(Stages(parts=base, inside=True), one)
    if parts is None:
        assert found is None
    else:
        assert found is not None
        assert (found.parts, found.knee, found.inside) == (parts, knee, True)
        assert found.slope == ("hz" if letter == "S" else "fs")


def test_within_a_wien_loop_what_a_part_makes_comes_back() -> None:
    """A curve of the output's own: its second harmonic is fed through the network, and the tables leave it out."""
    measured = np.zeros(9, dtype=complex)
    measured[0] = 0.02
    inside, outside = Tables(measured, inside=True), of_a_sine()
    # what the amplifier's input has of itself is in all rows alike: nothing clipped, nothing beyond
    assert np.abs(inside.dead[0]).max() < 1e-9
    assert inside.clip["T"][10] == pytest.approx(outside.clip["T"][10], abs=0.03)
    assert np.abs(inside.clip["P"][10] - outside.clip["P"][10]).max() > 1e-4
