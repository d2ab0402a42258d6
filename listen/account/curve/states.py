"""States: rows of one pitch whose wave changes with time, as when a trimmer is turned or a fault sets in."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.sorting import median, quantile
from listen.track import Frames

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.int64]

_ORDERS = 6
"""H2 to H7 tell the states of a wave apart: H9 and H10 of a half that lost 2 % of its crest lie under -57 dBc (its
series)."""
ONE_PITCH_OCTAVES = 0.01
"""Rows within this are at one pitch: over it H3 of a slewing sine changes by 0.2 % of the fundamental, a third of what
makes a state. What changes among them does not change with the pitch."""
_FEWEST_ROWS = 24
"""Half a second of rest: fewer rows are no state of their own."""
_STATES, _SHORTEST = 4, 8
"""States at most: a few turns of a trimmer; a sliding one is cut into so many steps. And rows of one: a sixth of a
second."""
_LEAST = 0.006
"""Harmonics move by this much of the fundamental: under the limit of 1 % of even and odd harmonics (without a lamp)."""
_OVER_SCATTER, _OVER_DISTORTION = 12.0, 0.25
"""Spread (3 to 97 of 100 rows) over the median step from a row to the next but one: three times what Gaussian scatter
gives, 3.9. And over the distortion itself: a change by less than a quarter is no other state. Chosen."""
_PASS_S, _PASS_ROWS, PASS_OCTAVES = 0.5, 3, 0.05
"""Rows of a turn further apart in time belong to another pass: a level that lags behind the control is another one on
the way back. A pass has so many rows within so much of the bin's middle, as one of an octave a second has."""
_ALONG = 0.4
"""... and by which a wave that slews changes along the pitch, in an octave: 2 % of the fundamental in a twelfth of one,
and half as much again where something else bends it too."""
_LASTS = 0.7
"""Part of the rows whose neighbours a tenth of a second away are in the same state: a swing's are not."""


def states_of(frames: Frames, rows: Ints) -> list[Ints]:
    """Divide the rows of one bin by the state of their wave.

    Parameters
    ----------
    frames : Frames
    rows : ndarray of int
        Rows of one bin of pitch.

    Returns
    -------
    list of ndarray of int
        One array where the wave stays the same, or where it changes with the pitch alone.
    """
    rows = np.sort(rows)
    passes = _passes(frames, rows)
    if len(passes) > 1:
        return passes
    rests = _rests(np.log2(frames.f0_hz[rows]), rows)
    divided = [_divided(frames, rest) for rest in rests]
    same = [states[0] for states in divided if len(states) == 1]
    apart = _unlike(frames, same)
    if len(apart) <= 1 and len(same) == len(rests):
        return [rows]
    return apart + [state for states in divided if len(states) > 1 for state in states]


def _passes(frames: Frames, rows: Ints) -> list[Ints]:
    """Rows near the middle pitch of a turn through the bin, pass by pass, those of like wave together; else none."""
    log = np.log2(frames.f0_hz[rows])
    near = rows[np.abs(log - median(log)) < PASS_OCTAVES]
    gaps = np.flatnonzero(np.diff(frames.time_s[near]) > _PASS_S) + 1
    passes = [part for part in np.split(near, gaps) if _PASS_ROWS <= len(part)]
    if len(passes) < 2 or any(len(part) >= _FEWEST_ROWS for part in passes):
        return []
    return _unlike(frames, sorted(passes, key=len, reverse=True))


def _rests(log: Floats, rows: Ints) -> list[Ints]:
    """Rows of each pitch at which the control rests, longest first."""
    out = []
    remaining = np.ones(len(rows), dtype=bool)
    while np.count_nonzero(remaining) >= _FEWEST_ROWS:
        ordered = np.sort(log[remaining])
        ends = np.searchsorted(ordered, ordered + 2.0 * ONE_PITCH_OCTAVES, side="right")
        first = int(np.argmax(ends - np.arange(len(ordered))))
        near = remaining & (np.abs(log - median(ordered[first : ends[first]])) < ONE_PITCH_OCTAVES)
        if np.count_nonzero(near) < _FEWEST_ROWS:
            break
        out.append(rows[near])
        remaining &= ~near
    return out


def _unlike(frames: Frames, rests: list[Ints]) -> list[Ints]:
    """Rests of like wave together: those that differ from the longest are states of their own."""
    groups: list[Ints] = []
    middles: list[tuple[float, Floats]] = []
    for rest in rests:
        lines = _lines(frames, rest)
        middle, log = np.median(lines, axis=0), median(np.log2(frames.f0_hz[rest]))
        known = np.isfinite(middle)
        scatter = median(np.median(np.abs(lines[2:, known] - lines[:-2, known]), axis=0)) if known.any() else 0.0
        for i, (other_log, other) in enumerate(middles):
            both = known & np.isfinite(other)
            apart = float(np.linalg.norm(middle[both] - other[both]))
            size = max(float(np.linalg.norm(middle[both])), float(np.linalg.norm(other[both])))
            if apart < max(_LEAST, _OVER_SCATTER * scatter, _OVER_DISTORTION * size, _ALONG * abs(log - other_log)):
                groups[i] = np.sort(np.concatenate([groups[i], rest]))
                break
        else:
            groups.append(rest)
            middles.append((log, middle))
    return groups


def _divided(frames: Frames, rest: Ints) -> list[Ints]:
    """States of the wave while the control rests."""
    lines = _lines(frames, rest)
    lines = lines[:, np.isfinite(lines).all(axis=0)]
    if not lines.shape[1]:
        return [rest]
    centred = lines - np.median(lines, axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    place = centred @ axes[0]
    spread = quantile(place, 0.97) - quantile(place, 0.03)
    scatter = median(np.abs(place[2:] - place[:-2]))
    distortion = float(np.sqrt(np.max(np.sum(lines**2, axis=1))))
    if spread < max(_LEAST, _OVER_SCATTER * scatter, _OVER_DISTORTION * distortion):
        return [rest]
    edges = np.quantile(place, 0.03) + spread * np.arange(1, _STATES) / _STATES
    state = np.searchsorted(edges, place)
    near = 5
    if float(np.mean(state[near:] == state[:-near])) < _LASTS:
        return [rest]
    own = [rest[state == i] for i in range(_STATES)]
    return [part for part in own if len(part) >= _SHORTEST] if sum(len(p) >= _SHORTEST for p in own) > 1 else [rest]


def _lines(frames: Frames, rows: Ints) -> Floats:
    """Real and imaginary parts of H2 to H7 over the fundamental."""
    size = 10.0 ** (frames.harmonics_dbc[rows, :_ORDERS] / 20.0)
    phase = frames.harmonic_phase_rad[rows, :_ORDERS]
    return np.asarray(np.concatenate([size * np.cos(phase), size * np.sin(phase)], axis=1), dtype=float)
