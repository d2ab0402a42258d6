"""The hot loop that lays frames round the rows: shortened where the pitch bends, moved from the edges of a stretch.

Each kernel has its plain twin, under the same name, in ``reference_frames.py``.
"""

from __future__ import annotations

from listen.compiled import kernel, part
from listen.track.types import Floats


@part()
def _between(places: Floats, values: Floats, place: float) -> float:
    """Values at rising places, straight between two of them and level beyond the ends."""
    low = 0
    high = places.shape[0] - 1
    if place <= places[low]:
        return float(values[low])
    if place >= places[high]:
        return float(values[high])
    while high - low > 1:
        middle = (low + high) // 2
        if places[middle] <= place:
            low = middle
        else:
            high = middle
    rise = (values[high] - values[low]) / (places[high] - places[low])
    return float(rise * (place - places[low]) + values[low])


@part()
def _bend(samples: Floats, calm: Floats, centre: float, half: float) -> float:
    """How far the pitch over a frame departs from a straight line: at its ends, or half way to them."""
    here = _between(samples, calm, centre)
    ahead = _between(samples, calm, centre + half)
    behind = _between(samples, calm, centre - half)
    nearer = max(_between(samples, calm, centre + 0.5 * half), _between(samples, calm, centre - 0.5 * half))
    return max(abs(ahead + behind - 2.0 * here), abs(nearer - here) - abs(ahead - behind))


@kernel("void(f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8, f8, f8, f8[:, ::1])")
def lay_frames(
    samples: Floats,
    slopes: Floats,
    calm: Floats,
    centres: Floats,
    middle: Floats,
    slope: Floats,
    cycles: Floats,
    bent: float,
    low: float,
    high: float,
    out: Floats,
) -> None:
    """Frames of whole, even numbers of cycles: out (3, n) = cycles, phase of the centre, least slope in the frame.

    samples, slopes, calm (k,): knots, their cycles a sample, and these without what a few knots differ by; centres,
    middle, slope, cycles (n,): sample, phase and slope of each row, and the cycles that its frame is to have. One over
    which the pitch departs from a straight line by more than ``bent`` times itself has half as many, three times at
    most; one that reaches beyond the phases ``low`` and ``high`` has as many as fit round its row and two at the
    least, and is moved to lie between them.
    """
    for i in range(centres.shape[0]):
        wanted = cycles[i]
        for _ in range(3):
            if wanted <= 2.0:
                break
            if not _bend(samples, calm, centres[i], 0.5 * wanted / slope[i]) > bent * slope[i]:
                break
            wanted = max(2.0 * ((0.25 * wanted) // 1.0), 2.0)
        room = min(middle[i] - low, high - middle[i])
        wanted = min(wanted, max(2.0 * (room // 1.0), 2.0))
        half = 0.5 * wanted / slope[i]
        least = slope[i]
        for side in range(4):
            off = (-1.0 if side < 2 else 1.0) * (half if side % 2 == 0 else 0.5 * half)
            least = min(least, _between(samples, slopes, centres[i] + off))
        out[0, i] = wanted
        out[1, i] = min(max(middle[i], low + 0.5 * wanted), high - 0.5 * wanted)
        out[2, i] = least
