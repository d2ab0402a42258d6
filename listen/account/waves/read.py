"""The shape of a triangle, sawtooth, square or pulse along the pitch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account.waves.choose import FEWEST, explained
from listen.account.waves.cycle import Cycle, bow_of, draw, lines_of
from listen.account.waves.deviation import deviations
from listen.account.waves.edge import fitted
from listen.account.waves.fit import CycleFit, line_sigma
from listen.account.waves.gather import WaveBin, gather
from listen.track import Frames, SpectraStore

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Doubles = NDArray[np.float64]

WAVES_OF_SLOPES = ("triangle", "sawtooth", "square", "pulse")
HIGHEST_COUPLING_HZ = 20.0
"""No ordinary input's coupling has a higher corner: what one of this may bend is excused where it is not known."""
_ORDINARY_COUPLING_HZ = 3.0
"""What an input's coupling of 1 to 5 Hz bends is no bow of the board (common practice, no source)."""
_COUPLING_ERROR_HZ = 0.05
"""A stated corner is right to a twentieth of a hertz: as it is written, to a decimal."""
_EVEN_TO = 10
"""As far as even harmonics are counted of a sine, so that one limit serves both."""
_SPIKE_SIGMAS = 5.0
"""Standard deviations of its area from which a spike is told: noise comes to so many once in a million places, and the
tallest of a thousand places is taken."""
_STEEP, _NEAR = 0.1, 3.0
"""A slope of a tenth of the cycle is a sawtooth's reset; and lengths of a spike from a jump at which nothing of it is
left there (a bell's 1 %, a decay's 5)."""
_SPIKE_SEEN = 1.0
"""A spike has a height of its own where it is as long as the band's own points are apart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaveShape:
    """Shape of a wave, a value a bin of pitch (lowest first); NaN where the wave has no such thing.

    Attributes
    ----------
    wave : {'triangle', 'sawtooth', 'square', 'pulse'}
    bins : tuple of WaveBin
    fits : tuple of CycleFit
    f0_hz : ndarray, shape (n,)
    share, share_sigma : ndarray, shape (n,)
        Part of the cycle that the wave rises, or that the pulse is high.
    reset_s, reset_sigma_s : ndarray, shape (n,)
        Of a sawtooth: end to end.
    corner_s, corner_sigma_s : ndarray, shape (n,)
        Time constant that rounds the corners.
    corner_form_s : ndarray, shape (n,)
        By how much the form of the slopes' bow may have moved it, in all bins alike; part of `corner_sigma_s`.
    bow, bow_sigma : ndarray, shape (n,)
        Largest distance of a slope from its chord over the height, what the input's coupling may make left out.
    bend, bend_sigma : ndarray, shape (n,)
        The same as recorded: 2 pi times it is the rate, a cycle, at which the slopes turn toward the mean.
    loss : ndarray, shape (n,)
        Crest lost by a cut tip against the other; positive where the positive one is cut, negative where the negative.
    loss_sigma : ndarray, shape (n,)
        Of either.
    loss_both : ndarray, shape (n,)
        Where both tips are cut: of the less cut one, of half the height; a triangle's over its fundamental.
    spike : ndarray, shape (n,)
        Height of the tallest spike over the wave's; where it is shorter than the band shows, what is seen of it.
    spike_resolved : ndarray of bool, shape (n,)
        The height is the spike's own.
    spike_area_s : ndarray, shape (n,)
        Its area, over the wave's height.
    spike_at : ndarray, shape (n,)
        Its place, cycles from the foot of the wave.
    spike_limit_s : ndarray, shape (n,)
        Area from which a short spike would be detected.
    gain_db : ndarray, shape (n,)
        Level of the fitted wave over that of one of its shares with neither rounded corners, cuts nor spikes.
    tips_known : ndarray of bool, shape (n,)
        The fitted wave leaves nothing to explain, and has harmonics enough to tell a cut tip from a round one.
    residual_even : ndarray, shape (n,)
        Even harmonics up to the tenth that the fitted wave does not have, over the fundamental.
    coupling_known, response_known : bool
        Of the recorder.
    rows : dict of str to ndarray
        Row by row: ``rise``, ``duty``, ``reset_s``, ``corner_s``, ``spike``.
    """

    wave: str
    bins: tuple[WaveBin, ...]
    fits: tuple[CycleFit, ...]
    f0_hz: Floats
    share: Floats
    share_sigma: Floats
    reset_s: Floats
    reset_sigma_s: Floats
    corner_s: Floats
    corner_sigma_s: Floats
    corner_form_s: Floats
    bow: Floats
    bow_sigma: Floats
    bend: Floats
    bend_sigma: Floats
    loss: Floats
    loss_sigma: Floats
    loss_both: Floats
    spike: Floats
    spike_resolved: Flags
    spike_area_s: Floats
    spike_at: Floats
    spike_limit_s: Floats
    gain_db: Floats
    tips_known: Flags
    residual_even: Floats
    coupling_known: bool
    response_known: bool
    rows: dict[str, Doubles]

    def at(self, values: Floats, f0_hz: Floats) -> Floats:
        """A value a bin at other pitches: between the bins' pitches linear in octaves; NaN where no bin has one."""
        known = np.isfinite(values)
        if not known.any():
            return np.full(len(f0_hz), np.nan)
        return np.asarray(np.interp(np.log2(f0_hz), np.log2(self.f0_hz[known]), values[known]))

    def mean_cycle(self, place: int, points: int = 512) -> tuple[Floats, Floats]:
        """One cycle of a bin as recorded (its coupling and known response undone), and the plain wave beside it.

        Both are over the wave's height, begin at its foot and have no mean.
        """
        fit, bin_ = self.fits[place], self.bins[place]
        k = np.arange(1, len(bin_.lines) + 1).astype(float)
        home = np.exp(2j * np.pi * k * fit.delay) / fit.gain
        return draw(bin_.lines * home, points), draw(_ideal(self.wave, fit.cycle.share, k), points)


def _ideal(wave: str, share: float, k: Floats) -> NDArray[np.complex128]:
    plain = {"triangle": 0.5, "square": 0.5, "sawtooth": 1.0 if share > 0.5 else 0.0, "pulse": share}[wave]
    return lines_of(Cycle(pulse=wave in ("square", "pulse"), share=plain), k)


def read_wave(
    frames: Frames, rows: Flags, store: SpectraStore, wave: str, *, coupling_known: bool, response_hz: float | None
) -> WaveShape | None:
    """Read the shape of an intended triangle, sawtooth, square or pulse; None where too few rows show one.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of bool, shape (n,)
        Rows whose shape is the board's.
    store : SpectraStore
    wave : {'triangle', 'sawtooth', 'square', 'pulse'}
    coupling_known : bool
        The input's corner is known, and the tracker has undone it.
    response_hz : float or None
        Corner of the recorder's first-order low-pass, where it is known.
    """
    bins = gather(frames, rows, store, response_hz)
    if not bins:
        return None
    bins, fits = fitted(bins, wave)
    f0 = np.array([b.f0_hz for b in bins])
    nothing = np.full(len(bins), np.nan)
    share = np.array([fit.cycle.share for fit in fits])
    smear = np.array([b.smear for b in bins])
    coupling_hz = 0.0 if coupling_known else _ORDINARY_COUPLING_HZ
    both = [deviations(bin_, fit, coupling_hz) for bin_, fit in zip(bins, fits, strict=True)]
    own, forms = [one for one, _ in both], [form for _, form in both]
    sigma = np.array([o["share"] for o in own])
    reset, reset_sigma = nothing, nothing
    if wave == "sawtooth":
        length = np.minimum(share, 1 - share)
        # a moving pitch rounds a jump, and leaves the share of a slope where it is
        sigma = np.hypot(sigma, _smeared(length, np.sqrt(12.0) * smear))
        reset, reset_sigma = length / f0, sigma / f0
    corner = np.array([fit.cycle.corner if "corner" in fit.free else np.nan for fit in fits])
    corner_own = np.array([o.get("corner", np.nan) for o in own])
    corner_form = np.array([form.get("corner", np.nan) for form in forms])
    corner_sigma = np.hypot(corner_own, _smeared(corner, smear)) / f0
    corner = corner / f0
    bend, bend_sigma = np.array([fit.cycle.bend for fit in fits]), np.array([o["bend"] for o in own])
    bow, bow_sigma = _bows(fits, bend_sigma, f0, wave, coupling_known)
    loss, both = np.array([_losses(fit.cycle, wave) for fit in fits]).T
    spikes = [_spike(bin_, fit) for bin_, fit in zip(bins, fits, strict=True)]
    height, resolved, area, at = (np.array(column) for column in zip(*spikes, strict=True))
    return WaveShape(
        wave=wave,
        bins=bins,
        fits=fits,
        f0_hz=f0,
        share=share,
        share_sigma=sigma,
        reset_s=reset,
        reset_sigma_s=reset_sigma,
        corner_s=corner,
        corner_sigma_s=corner_sigma,
        corner_form_s=corner_form / f0,
        bow=bow,
        bow_sigma=bow_sigma,
        bend=bend,
        bend_sigma=bend_sigma,
        loss=loss,
        loss_sigma=np.array([_loss_sigma(fit) for fit in fits]),
        loss_both=both,
        spike=height,
        spike_resolved=resolved.astype(bool),
        spike_area_s=area / f0,
        spike_at=at,
        spike_limit_s=_SPIKE_SIGMAS * np.array([_spike_sigma(*pair) for pair in zip(bins, fits, strict=True)]) / f0,
        gain_db=np.array([_gain_db(bin_, fit.cycle) for bin_, fit in zip(bins, fits, strict=True)]),
        tips_known=np.array([len(b.lines) >= FEWEST and explained(fit) for b, fit in zip(bins, fits, strict=True)]),
        residual_even=np.array([_residual_even(bin_, fit) for bin_, fit in zip(bins, fits, strict=True)]),
        coupling_known=coupling_known,
        response_known=bool(response_hz),
        rows=_row_values(len(frames), bins, fits, wave, frames.f0_hz),
    )


def _smeared(time: Floats, smear: Floats) -> Floats:
    """By how much a time, in cycles, may be less than it was read: a smear and the time add as squares."""
    return np.asarray(time - np.sqrt(np.maximum(time**2 - smear**2, 0.0)))


def _bows(
    fits: tuple[CycleFit, ...], sigma: Floats, f0: Floats, wave: str, coupling_known: bool
) -> tuple[Floats, Floats]:
    """Bow of the slopes beyond what the input's coupling may cause; none for a wave of two levels."""
    if wave in ("square", "pulse"):
        return np.full(len(f0), np.nan), np.full(len(f0), np.nan)
    bend = np.array([fit.cycle.bend for fit in fits])
    # the longer slope shows it
    length = np.array([max(fit.cycle.share, 1 - fit.cycle.share) for fit in fits])
    if coupling_known:
        sigma = np.hypot(sigma, _COUPLING_ERROR_HZ / f0)
    else:
        bend = bend - _excused(bend, sigma, f0) / f0
    bow = np.array([bow_of(b * n) for b, n in zip(bend, length, strict=True)])
    return bow, 2 * np.pi * sigma * length / 8.0


def _excused(bend: Floats, sigma: Floats, f0: Floats) -> float:
    """Corner of a coupling, up to the highest ordinary one, that leaves the least bow anywhere."""
    corners = np.linspace(0.0, HIGHEST_COUPLING_HZ, 201)
    worst = [float(np.max(np.maximum(np.abs(bend - c / f0) - sigma, 0.0))) for c in corners]
    return float(corners[int(np.argmin(worst))])


def _losses(cycle: Cycle, wave: str) -> tuple[float, float]:
    """Crest loss of one tip relative to the other (signed), and of both; a triangle's of both over its fundamental."""
    top, bottom = cycle.cut_top, cycle.cut_bottom
    # a cut takes a triangle of its own height and part of the cycle off the mean
    mean = 0.5 - 0.5 * top**2 + 0.5 * bottom**2
    up, down = 1.0 - top - mean, mean - bottom
    one = (1.0 - up / down) if up < down else -(1.0 - down / up)
    return one, 1.0 - (1.0 - 2.0 * min(top, bottom)) / (_first_of_cut(cycle) if wave == "triangle" else 1.0)


def _first_of_cut(cycle: Cycle) -> float:
    """What cut tips leave of the fundamental."""
    first = np.ones(1)
    cut = Cycle(share=cycle.share, cut_top=cycle.cut_top, cut_bottom=cycle.cut_bottom)
    return float(abs(lines_of(cut, first)[0]) / abs(lines_of(Cycle(share=cycle.share), first)[0]))


def _loss_sigma(fit: CycleFit) -> float:
    """Standard deviation of a crest's loss, of half the height: twice the cut's, wide beside a spike at the tip."""
    return 2.0 * float(np.hypot(fit.sigma.get("cut_top", 0.0), fit.sigma.get("cut_bottom", 0.0)))


def _spike(bin_: WaveBin, fit: CycleFit) -> tuple[float, bool, float, float]:
    """Height of a spike, whether it is its own, area in cycles, place."""
    cycle = fit.cycle
    if "spike_area" not in fit.free:
        return 0.0, True, 0.0, np.nan
    count = len(bin_.lines)
    # the tallest that the band shows of an area is twice the number of lines times it
    seen = 1.0 / (2.0 * count)
    spread = max(cycle.spike_width * np.sqrt(2 * np.pi), cycle.spike_tail)
    resolved = spread > _SPIKE_SEEN * seen
    if not resolved:
        spread = np.hypot(seen, spread)
    return abs(cycle.spike_area) / spread, resolved, abs(cycle.spike_area), cycle.spike_at % 1.0


def _spike_sigma(bin_: WaveBin, fit: CycleFit) -> float:
    """Standard deviation of a short spike's area, in cycles; beside a jump with what a smear of that makes.

    Where no spike was found it may be anywhere.
    """
    clear = float(np.sum(1.0 / line_sigma(bin_.lines, bin_.sigma) ** 2))
    own, cycle = 1.0 / (2.0 * fit.gain * float(np.sqrt(clear))), fit.cycle
    # a sawtooth's share is one end of its reset
    jumps = (0.0, cycle.share) if cycle.pulse or min(cycle.share, 1.0 - cycle.share) < _STEEP else ()
    far = min((abs((cycle.spike_at - jump + 0.5) % 1.0 - 0.5) for jump in jumps), default=0.5)
    near = far < _NEAR * max(cycle.spike_width, cycle.spike_tail, bin_.smear)
    return float(np.hypot(own, bin_.smear)) if near or "spike_area" not in fit.free else own


def _gain_db(bin_: WaveBin, cycle: Cycle) -> float:
    k = np.arange(1, len(bin_.lines) + 1).astype(float)
    whole = Cycle(pulse=cycle.pulse, share=cycle.share, bend=cycle.bend)
    own, plain = (float(np.sum(np.abs(lines_of(c, k)) ** 2)) for c in (cycle, whole))
    return float(10 * np.log10(own / plain))


def _residual_even(bin_: WaveBin, fit: CycleFit) -> float:
    k = np.arange(2, min(len(bin_.lines), _EVEN_TO) + 1, 2)
    if len(k) == 0:
        return 0.0
    residual = bin_.lines[k - 1] - fit.lines(k.astype(float))
    return float(np.sqrt(np.sum(np.abs(residual) ** 2)))


def _row_values(
    n: int, bins: tuple[WaveBin, ...], fits: tuple[CycleFit, ...], wave: str, f0_hz: Floats
) -> dict[str, Doubles]:
    """Values row by row: one Gauss-Newton step from the bin's fit to the row's harmonics."""
    out = {name: np.full(n, np.nan) for name in ("rise", "duty", "reset_s", "corner_s", "spike")}
    for bin_, fit in zip(bins, fits, strict=True):
        rows, pitch = bin_.rows, f0_hz[bin_.rows]
        off = bin_.row_lines[:, fit.used - 1] - fit.lines(fit.used.astype(float))
        moved = np.concatenate([off.real, off.imag], axis=1) @ fit.step.T
        own = {name: getattr(fit.cycle, name) + moved[:, i] for i, name in enumerate(fit.free)}
        share = np.clip(own["share"], 0.0, 1.0)
        out["duty" if fit.cycle.pulse else "rise"][rows] = share
        if wave == "sawtooth":
            out["reset_s"][rows] = np.minimum(share, 1 - share) / pitch
        if "corner" in own:
            out["corner_s"][rows] = np.maximum(own["corner"], 0.0) / pitch
        out["spike"][rows] = _spike(bin_, fit)[0]
    return out
