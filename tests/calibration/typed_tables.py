"""Tables as a bench gives them, and the errors of a hand that types: by number, from physics.

A table is a circuit (its law from first principles), the order in which its voltages are held, a meter that reads
them and rounds, and a pitch that is not quite still. An error changes what is typed, never what was held.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.constants import elementary_charge
from scipy.constants import k as boltzmann

Floats = NDArray[np.float64]
Circuit = Callable[[Floats], Floats]

THERMAL_V = boltzmann * 300.0 / elementary_charge
LAWS = ("octave", "scale", "reset", "bulk", "leak", "hertz", "cell", "cell-limited")
ERRORS = ("digit", "point", "left out", "doubled", "exchanged")
LEAST_ERROR_V = 0.08
"""What a typing error changes at least: a hundredth that is one digit off is in the rounding of the meter."""


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table.

    `held_v` are the volts at the jack, `typed` what was written down, in the order of the take; `wrong` are the places
    in `typed` that are wrong (where one was left out: the place in `held_v`).
    """

    law: str
    held_v: tuple[float, ...]
    hz: tuple[float, ...]
    typed: tuple[str, ...]
    error: str = ""
    wrong: tuple[int, ...] = ()

    @property
    def text(self) -> str:
        """As it stands after --cv-values."""
        return ",".join(self.typed)


def table(seed: int) -> Table:
    """Return a good table by its number: 6 to 12 steps."""
    rng = np.random.default_rng([seed, 1107])
    law = LAWS[seed % len(LAWS)]
    low, step = (1.0, float(rng.choice([0.5, 1.0]))) if law in ("hertz", "cell", "cell-limited") else (0.0, 1.0)
    if low == 0.0 and rng.random() < 0.4:
        step = 0.5
    way = str(rng.choice(["up", "up", "down", "updown"]))
    count = int(rng.integers(6, 13))
    if way == "updown":
        levels = (count + 1) // 2 if count % 2 else count // 2
        levels = max(4, levels)
    else:
        levels = count
        step = 0.5 if (levels - 1) * step > 6.0 else step
    nominal = low + step * np.arange(levels)
    order = {"up": nominal, "down": nominal[::-1], "updown": np.concatenate([nominal, nominal[-2::-1]])}[way]
    off_v = float(rng.choice([0.0, 0.01, 0.03]))  # a keyboard or a staircase; a pot with care; a pot in a hurry
    held = np.maximum(order + off_v * rng.standard_normal(len(order)), 0.0)
    felt = _remembered(held, float(rng.uniform(0.005, 0.04)), rng) if law.startswith("cell") else held
    hz = _circuit(law, float(nominal[-1]), rng)(felt)
    noise_cents = float(rng.choice([0.05, 0.3, 1.0]))
    hz = hz * np.exp2(noise_cents * rng.standard_normal(len(hz)) / 1200.0)
    decimals = int(rng.choice([2, 2, 3]))
    gain = 1.0 + 0.005 * float(rng.uniform(-1, 1))  # half a per cent: a usual meter (common practice, no source)
    typed = tuple(f"{max(0.0, round(v * gain, decimals)):.{decimals}f}" for v in held)
    return Table(law=law, held_v=tuple(held.tolist()), hz=tuple(hz.tolist()), typed=typed)


def spoiled(seed: int) -> Table:
    """Return a table by its number with one typing error."""
    rng = np.random.default_rng([seed, 4099])
    good = table(seed)
    kind = ERRORS[(seed // len(LAWS) + seed) % len(ERRORS)]
    for _ in range(1000):
        bad = {
            "digit": _wrong_digit, "point": _moved_point, "left out": _left_out, "doubled": _doubled,
            "exchanged": _exchanged,
        }[kind](good, rng)  # fmt: skip
        if bad is not None:
            return replace(bad, error=kind)
    raise AssertionError(f"no {kind} error in table {seed}")


def _circuit(law: str, top_v: float, rng: np.random.Generator) -> Circuit:
    f0_hz = float(rng.uniform(30.0, 110.0))
    scale = 1.0 + (float(rng.choice([-1, 1]) * rng.uniform(0.003, 0.05)) if law == "scale" else rng.normal(0, 0.001))
    if law in ("octave", "scale"):
        return lambda v: f0_hz * np.exp2(scale * v)
    if law == "reset":  # f = 1 / (1 / fi + tr)
        reset_s = float(rng.uniform(1e-6, 10e-6))
        return lambda v: 1.0 / (1.0 / (f0_hz * np.exp2(scale * v)) + reset_s)
    if law == "bulk":  # I = I0 exp((V - I Re) / VT), the current sets the pitch
        per_hz = 10e-9
        bulk_ohm = float(rng.uniform(5.0, 60.0))
        return lambda v: _self_consistent(f0_hz * np.exp2(scale * v), per_hz * bulk_ohm / THERMAL_V)
    if law == "leak":  # bias current is taken from the core's current
        lost_hz = float(rng.uniform(-0.3, 0.6))
        return lambda v: f0_hz * np.exp2(scale * v) - lost_hz
    if law == "hertz":
        per_v, zero_v = float(rng.uniform(80.0, 400.0)), float(rng.uniform(-0.03, 0.03))
        reset_s = float(rng.choice([0.0, 3e-6]))
        return lambda v: 1.0 / (1.0 / (per_v * (v - zero_v)) + reset_s)
    # Two light-dependent cells in an RC loop, lit by one LED behind a voltage-to-current converter: R = a I^-gamma.
    gamma, from_v = float(rng.uniform(0.55, 0.9)), float(rng.uniform(0.0, 0.5))
    cell_ohm = float(rng.uniform(20e3, 100e3))
    series_ohm = float(rng.uniform(0.03, 0.3)) * cell_ohm * (top_v - from_v) ** -gamma if law == "cell-limited" else 0.0
    farad = 1.0 / (2.0 * np.pi * cell_ohm * float(rng.uniform(100.0, 400.0)))
    return lambda v: 1.0 / (2.0 * np.pi * farad * (cell_ohm * np.maximum(v - from_v, 0.02) ** -gamma + series_ohm))


def _self_consistent(hz: Floats, per_hz: float) -> Floats:
    out = hz.copy()
    for _ in range(300):
        out = 0.5 * out + 0.5 * hz * np.exp(-out * per_hz)
    return out


def _remembered(held_v: Floats, memory: float, rng: np.random.Generator) -> Floats:
    """The voltage that a cell acts on: pulled toward earlier ones, with a time constant of 40 s."""
    hold_s = float(rng.uniform(1.2, 2.0)) * rng.uniform(0.85, 1.2, len(held_v))
    earlier, felt = held_v[0], []
    for volts, seconds in zip(held_v, hold_s, strict=True):
        late = earlier + (volts - earlier) * (1.0 - np.exp(-0.83 * seconds / 40.0))
        earlier = earlier + (volts - earlier) * (1.0 - np.exp(-seconds / 40.0))
        felt.append(volts + memory * (late - volts))
    return np.array(felt)


def _changed(good: Table, at: int, word: str) -> Table | None:
    if abs(float(word) - float(good.typed[at])) < LEAST_ERROR_V - 1e-9:
        return None
    return replace(good, typed=(*good.typed[:at], word, *good.typed[at + 1 :]), wrong=(at,))


def _wrong_digit(good: Table, rng: np.random.Generator) -> Table | None:
    at = int(rng.integers(len(good.typed)))
    word = list(good.typed[at])
    place = int(rng.choice([i for i, letter in enumerate(word) if letter.isdigit()]))
    word[place] = str(rng.integers(10))
    return _changed(good, at, "".join(word))


def _moved_point(good: Table, rng: np.random.Generator) -> Table | None:
    at = int(rng.integers(len(good.typed)))
    decimals = len(good.typed[at].split(".")[1])
    by = int(rng.choice([-1, 1]))
    return _changed(good, at, f"{float(good.typed[at]) * 10.0**by:.{max(1, decimals - by)}f}")


def _left_out(good: Table, rng: np.random.Generator) -> Table | None:
    at = int(rng.integers(len(good.typed)))
    return replace(good, typed=(*good.typed[:at], *good.typed[at + 1 :]), wrong=(at,))


def _doubled(good: Table, rng: np.random.Generator) -> Table | None:
    at = int(rng.integers(len(good.typed)))
    return replace(good, typed=(*good.typed[:at], good.typed[at], *good.typed[at:]), wrong=(at, at + 1))


def _exchanged(good: Table, rng: np.random.Generator) -> Table | None:
    at = int(rng.integers(len(good.typed) - 1))
    one, other = good.typed[at : at + 2]
    if abs(float(one) - float(other)) < LEAST_ERROR_V:
        return None
    return replace(good, typed=(*good.typed[:at], other, one, *good.typed[at + 2 :]), wrong=(at, at + 1))
