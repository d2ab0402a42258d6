"""The shape of a wave of slopes and edges, as figures of the circuit."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.account import Account
from listen.account.waves import WaveShape, bow_of, times_without_recorder
from listen.circuit.shaper import ShaperEstimate, read_shaper
from listen.circuit.types import Quantity, Where, unknown
from listen.sorting import median_of_known

Floats = NDArray[np.floating[Any]]
ShapeRow = dict[str, float | None]

_RECORDERS_CORNER_S = 1.45e-6
"""An ordinary recorder's own low-pass (110 kHz, common practice, no source) reads as a corner of so much."""
_MATTERS = 0.05
_MEDIAN_VARIANCE = math.pi / 2
"""Of a median over a mean's (any handbook on statistics)."""
_SEEN = 2.0
"""A value under two of its standard deviations is a bound."""

NOT_THIS_WAVE = "the intended wave has none"
_NO_SHAPE = "too few steady rows show the wave's shape"
_NOT_STATED = "state the wave (--wave triangle, sawtooth, square or pulse): a sine has no such shape"
_OTHER = "another wave than stated: its shape was not read"
_NO_SHAPER = 'state topology = "triangle-core" and, where it is known, the shaper: a sine may be made in other ways'
_OF_THE_RESET = "a sawtooth's share follows from its reset and the pitch: see reset_us"
_SHORT = "a spike shorter than the recording's band has an area, not a height: record at a higher rate"
_FEW = "too few harmonics are in the file: record at a higher rate, or a lower note"
_COUPLING_HZ, _STATED_CORNER_HZ = (3.0, 1.2), 0.003
"""Corner of a coupling that nobody states, 1 to 5 Hz (common practice, no source): its middle and its deviation; and
what is left of a stated one, which is written with two decimals where it was measured."""
_AGREE = 4.0
"""Chi squared over its expectation from which the bow is not the same at all pitches."""
_BOW_FORM = 0.1
"""Of a bow, times the bow itself: one of 4 % that is a parabola is read 0.8 % of itself too low, an exponential is not
(computed). Nobody states which it is: the middle is taken, and half of the difference is its deviation."""
_HEIGHT_HIGH, _HEIGHT_SHARE, _AREA_SHARE = 1.02, 0.09, 0.015
"""Of a spike's height and area: it is fitted as a bell or a decay, and nobody states its form. A bell that is laid over
a triangle of one base is 6 to 7 % lower and up to 2 % larger, where the form is not taken for granted, one over half a
sine 9 to 12 % higher (computed): the middle is taken, and half of the difference is its deviation."""
_STATED_RESPONSE = 0.05
"""A stated response undoes the recorder's share of an edge to a twentieth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveFigures:
    """Shape of the wave: the ``shape`` of the document's ``circuit``.

    Attributes
    ----------
    wave : str
        The intended one.
    rise_percent, duty_percent : Quantity
        Part of the cycle that the wave rises, or is high.
    reset_us, corner_us : Quantity
        End to end; a time constant.
    bow_percent, glitch_percent : Quantity
        Over the wave's height.
    glitch_area_percent_us, glitch_cycle : Quantity
        The place is counted from the foot of the wave.
    shaper_offset_percent, shaper_h2_dbc, shaper_h3_dbc : Quantity
        Of a triangle core's sine; the offset is over the triangle's peak, positive where it flattens the positive half.
    along : tuple of dict
        The same against pitch: ``f0_hz`` and a value of each name that was read, lowest first.
    """

    wave: str
    rise_percent: Quantity
    duty_percent: Quantity
    reset_us: Quantity
    corner_us: Quantity
    bow_percent: Quantity
    glitch_percent: Quantity
    glitch_area_percent_us: Quantity
    glitch_cycle: Quantity
    shaper_offset_percent: Quantity
    shaper_h2_dbc: Quantity
    shaper_h3_dbc: Quantity
    along: tuple[ShapeRow, ...] = ()

    @property
    def quantities(self) -> dict[str, Quantity]:
        """The quantities by name."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name not in ("wave", "along")}


def wave_figures(
    account: Account, wave: str, topology: str | None, shaper: str | None, corner_known: bool
) -> WaveFigures:
    """Return the shape of the intended wave as figures of the circuit.

    Parameters
    ----------
    account : Account
    wave : str
    topology : str or None
        The sine of a triangle core is a shaper's.
    shaper : {'pair', 'diodes', 'other'} or None
    corner_known : bool
        The input's coupling is known, and undone.
    """
    values, along = _of_slopes(account, wave)
    figures, row = _of_shaper(account, wave, topology, shaper, corner_known)
    return WaveFigures(wave=wave, along=(*along, *row), **values, **figures)


def _of_slopes(account: Account, wave: str) -> tuple[dict[str, Quantity], tuple[ShapeRow, ...]]:
    names = [f.name for f in fields(WaveFigures) if f.name not in ("wave", "along") and not f.name.startswith("shaper")]
    shape = account.wave_shape
    if shape is None:
        why = _NOT_STATED if wave in ("sine", "any") else _OTHER if account.other_wave else _NO_SHAPE
        return dict.fromkeys(names, unknown(why)), ()
    reader = _Reader(account, shape)
    values = dict.fromkeys(names, unknown(NOT_THIS_WAVE)) | reader.values()
    return values, reader.along()


class _Reader:
    """Figures of one wave's shape."""

    def __init__(self, account: Account, shape: WaveShape) -> None:
        self.shape, self.part = shape, account.id_of("wave")
        frames = account.frames
        rows = np.concatenate([bin_.rows for bin_ in shape.bins])
        self.where = Where(
            start_s=float(frames.time_s[rows].min()),
            end_s=float(frames.time_s[rows].max()),
            f0_low_hz=float(shape.f0_hz.min()),
            f0_high_hz=float(shape.f0_hz.max()),
        )

    def quantity(self, value: float, sigma: float, **more: Any) -> Quantity:
        return replace(Quantity(value=value, sigma=sigma, where=self.where, source=self.part), **more)

    def values(self) -> dict[str, Quantity]:
        shape = self.shape
        share = overall(shape.share, shape.share_sigma)
        name = "duty_percent" if shape.wave in ("square", "pulse") else "rise_percent"
        out = {name: self.quantity(100 * share[0], 100 * share[1]), "corner_us": self._corner()} | self._spike()
        if shape.wave == "sawtooth":
            out["rise_percent"] = unknown(_OF_THE_RESET)
            out["reset_us"] = self._time(shape.reset_s, shape.reset_sigma_s, 0)
        if np.isfinite(shape.bow).any():
            out["bow_percent"] = self._bow()
        return out

    def _bow(self) -> Quantity:
        """One bow for the whole take where the bins agree on it, else that of the pitch where it is largest."""
        shape = self.shape
        corner_hz, unsure_hz = (0.0, _STATED_CORNER_HZ) if shape.coupling_known else _COUPLING_HZ
        length = float(np.median(np.maximum(shape.share, 1 - shape.share)))
        bend, sigma, misfit = one_bend(shape.bend, shape.bend_sigma, shape.f0_hz, corner_hz, unsure_hz)
        where = self.where
        if misfit > _AGREE:
            each = shape.bend - corner_hz / shape.f0_hz
            sure = np.hypot(shape.bend_sigma, unsure_hz / shape.f0_hz)
            worst = int(np.argmax(np.abs(each) - 2 * sure))
            bend, sigma, where = float(each[worst]), float(sure[worst]), self._where_at(worst)
        value = 100 * bow_of(bend * length)
        form = _BOW_FORM * value * abs(value) / 100
        return self.quantity(value + form, math.hypot(100 * 2 * math.pi / 8 * length * sigma, form), where=where)

    def _where_at(self, place: int) -> Where:
        f0_hz = float(self.shape.f0_hz[place])
        return Where(start_s=self.where.start_s, end_s=self.where.end_s, f0_low_hz=f0_hz, f0_high_hz=f0_hz)

    def _corner(self) -> Quantity:
        shape = self.shape
        if not np.isfinite(shape.corner_s).any():
            return unknown(NOT_THIS_WAVE if shape.wave != "sawtooth" else "a straight reset explains the edge as well")
        form_s = median_of_known(shape.corner_form_s)
        return self._time(shape.corner_s, shape.corner_sigma_s, 1, form_s)

    def _time(self, values_s: Floats, sigma_s: Floats, which: int, common_s: float = 0.0) -> Quantity:
        """A time: a bound where the recorder, not known, may make some of it, or where nothing is seen.

        What all bins share does not average out over them.
        """
        value, sigma = overall(values_s, sigma_s)
        sigma = math.hypot(sigma, common_s)
        if value < _SEEN * sigma:
            return self.quantity(1e6 * (value + _SEEN * sigma), 1e6 * sigma, bound="at-most")
        own, _ = overall(times_without_recorder(self.shape)[which], sigma_s)
        if self.shape.response_known:
            return self.quantity(1e6 * value, 1e6 * float(np.hypot(sigma, _STATED_RESPONSE * (value - own))))
        if own < (1 - _MATTERS) * value:
            return self.quantity(1e6 * (value + _SEEN * sigma), 1e6 * sigma, bound="at-most")
        # a recorder has an ordinary low-pass or next to none: the middle, and half of the difference
        return self.quantity(1e6 * 0.5 * (value + own), 1e6 * float(np.hypot(sigma, 0.5 * (value - own))))

    def _spike(self) -> dict[str, Quantity]:
        shape = self.shape
        if not (shape.spike_area_s > shape.spike_limit_s).any():
            least = int(np.argmin(shape.spike_limit_s))
            return {
                "glitch_percent": unknown(_SHORT),
                "glitch_area_percent_us": self.quantity(
                    1e8 * float(shape.spike_limit_s[least]),
                    1e8 * float(shape.spike_limit_s[least]) / 5,
                    bound="at-most",
                ),
                "glitch_cycle": unknown("no spike is shown"),
            }
        place = int(np.argmax(shape.spike_area_s / shape.spike_limit_s))
        where = self._where_at(place)
        height = 100 * float(shape.spike[place]) / _HEIGHT_HIGH
        area, limit = 1e8 * float(shape.spike_area_s[place]), 1e8 * float(shape.spike_limit_s[place])
        noise = limit / 5 / area
        return {
            "glitch_percent": self.quantity(
                height,
                height * float(np.hypot(noise, _HEIGHT_SHARE)),
                where=where,
                bound=None if shape.spike_resolved[place] else "at-least",
            ),
            "glitch_area_percent_us": self.quantity(area, area * float(np.hypot(noise, _AREA_SHARE)), where=where),
            "glitch_cycle": self.quantity(float(shape.spike_at[place]), self._spike_at_sigma(place), where=where),
        }

    def _spike_at_sigma(self, place: int) -> float:
        """Of a spike's place: its own, and what a recorder's low-pass may put it later by."""
        own = self.shape.fits[place].sigma["spike_at"]
        return float(np.hypot(own, float(self.shape.f0_hz[place]) * _RECORDERS_CORNER_S))

    def along(self) -> tuple[ShapeRow, ...]:
        shape = self.shape
        share = "duty_percent" if shape.wave in ("square", "pulse") else "rise_percent"
        columns = {
            "f0_hz": shape.f0_hz,
            share: 100 * shape.share,
            "reset_us": 1e6 * shape.reset_s,
            "corner_us": 1e6 * shape.corner_s,
            "bow_percent": 100 * shape.bow,
            "glitch_percent": 100 * shape.spike,
        }
        return tuple(
            {name: float(v[i]) for name, v in columns.items() if np.isfinite(v[i])} for i in range(len(shape.f0_hz))
        )


def overall(values: Floats, sigma: Floats) -> tuple[float, float]:
    """Weighted median of what is known along the pitch, and its standard deviation.

    Where the bins scatter by more than their deviations say, theirs are as much larger.
    """
    known = np.isfinite(values) & np.isfinite(sigma) & (sigma > 0)
    if not known.any():
        return float("nan"), float("nan")
    order = np.argsort(values[known])
    ordered, weight = values[known][order], (1.0 / sigma[known] ** 2)[order]
    middle = int(np.searchsorted(np.cumsum(weight), 0.5 * weight.sum()))
    # of a mean; the median that outweighs an outlier varies by up to 1.25 times more, where no bin outweighs the rest
    whole = float(weight.sum())
    own = 1.0 / whole * (1.0 + (_MEDIAN_VARIANCE - 1.0) * (1.0 - float(weight.max()) / whole))
    scatter = float(np.sum(weight * (ordered - ordered[middle]) ** 2)) / max(len(ordered) - 1, 1)
    return float(ordered[middle]), float(np.sqrt(own * max(scatter, 1.0)))


def one_bend(
    bend: Floats, sigma: Floats, f0_hz: Floats, corner_hz: float, unsure_hz: float
) -> tuple[float, float, float]:
    """One bend for all pitches beside a coupling whose corner is known so well: it bends by the corner over the pitch.

    Returns
    -------
    bend, sigma : float
    misfit : float
        Chi squared over what is expected.
    """
    weight = 1.0 / np.append(sigma, unsure_hz)
    columns = np.array([np.append(np.ones(len(f0_hz)), 0.0), np.append(1.0 / f0_hz, 1.0)]).T * weight[:, None]
    covariance = np.linalg.inv(columns.T @ columns)
    target = np.append(bend, corner_hz) * weight
    found = covariance @ (columns.T @ target)
    misfit = float(np.sum((target - columns @ found) ** 2)) / max(len(f0_hz) - 1, 1)
    return float(found[0]), float(np.sqrt(covariance[0, 0] * max(misfit, 1.0))), misfit


def _of_shaper(
    account: Account, wave: str, topology: str | None, shaper: str | None, corner_known: bool
) -> tuple[dict[str, Quantity], tuple[ShapeRow, ...]]:
    names = ("shaper_offset_percent", "shaper_h2_dbc", "shaper_h3_dbc")
    if wave != "sine" or (topology != "triangle-core" and shaper is None):
        return dict.fromkeys(names, unknown(NOT_THIS_WAVE if wave != "sine" else _NO_SHAPER)), ()
    shape = account.shape
    found = read_shaper(shape.bins, shaper, corner_known) if shape is not None and account.other_wave is None else None
    if found is None:
        return dict.fromkeys(names, unknown(_NO_SHAPE if shape is None else _FEW)), ()
    assert shape is not None
    where = Where(
        start_s=float(account.frames.time_s[shape.rows].min()),
        end_s=float(account.frames.time_s[shape.rows].max()),
        f0_low_hz=float(found.f0_hz.min()),
        f0_high_hz=float(found.f0_hz.max()),
    )
    return _shaper_quantities(found, where, account.id_of("curve") or account.id_of("tone")), _shaper_along(found)


def _shaper_quantities(found: ShaperEstimate, where: Where, part: str | None) -> dict[str, Quantity]:
    out = {}
    for name, values, sigma in (
        ("shaper_offset_percent", 100 * found.offset, 100 * found.offset_sigma),
        ("shaper_h2_dbc", found.h2_dbc, found.h2_sigma_db),
        ("shaper_h3_dbc", found.h3_dbc, found.h3_sigma_db),
    ):
        value, spread = overall(values, sigma)
        out[name] = (
            Quantity(value=value, sigma=spread, where=where, source=part) if np.isfinite(value) else unknown(_FEW)
        )
    return out


def _shaper_along(found: ShaperEstimate) -> tuple[ShapeRow, ...]:
    columns = {
        "f0_hz": found.f0_hz,
        "shaper_offset_percent": 100 * found.offset,
        "shaper_h2_dbc": found.h2_dbc,
        "shaper_h3_dbc": found.h3_dbc,
    }
    return tuple(
        {name: float(v[i]) for name, v in columns.items() if np.isfinite(v[i])} for i in range(len(found.f0_hz))
    )
