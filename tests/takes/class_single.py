"""One cause in a whole take, two at once, and near-misses."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from tests.takes import causes_added, causes_capture, causes_level, causes_shape
from tests.takes.board import render
from tests.takes.files import Made, TakeClass
from tests.takes.needs import Cause, Order, draw_board
from tests.takes.truths import truth_of

Rng = np.random.Generator

CAUSES: dict[str, Cause] = {
    cause.kind: cause
    for cause in (*causes_shape.CAUSES, *causes_level.CAUSES, *causes_added.CAUSES, *causes_capture.CAUSES)
}

ONE_CURVE = {
    frozenset({"asymmetric-clipping", "symmetric-clipping"}),
    frozenset({"asymmetric-clipping", "even-order-distortion"}),
    frozenset({"symmetric-clipping", "odd-order-distortion"}),
}
"""Two names for one curve, or for one limiter."""

TOO_MUCH = {
    frozenset({"oscillation-dropout", "capture-gap"}),
    frozenset({"capture-overload", "capture-quiet"}),
}
"""A gap in a hole proves nothing; an input is not set too high and too low at once."""

BUILD_ORDER = [
    "even-order-distortion",
    "odd-order-distortion",
    "slew-limiting",
    "crossover-distortion",
    "asymmetric-clipping",
    "symmetric-clipping",
]
"""From the amplifier's inside to its rails."""


def pairs() -> list[tuple[str, str]]:
    """All pairs of kinds that can be told from one recording."""
    found = []
    for one, other in combinations(CAUSES, 2):
        both = frozenset({one, other})
        if both in ONE_CURVE or both in TOO_MUCH:
            continue
        if "capture-overload" in both:
            (beside,) = both - {"capture-overload"}
            # Cut tops hide a shape, swallow a swing of the level, and cut a burst at the crest away.
            if CAUSES[beside].group in ("shape", "level") or beside == "parasitic-oscillation":
                continue
        found.append((one, other))
    return found


def build(kinds: Sequence[str], times: Sequence[float], rng: Rng) -> Made:
    """Make a whole take with some causes of some sizes."""
    orders = [Order(times=t, company=len(kinds) > 1) for t in times]
    needs = None
    for kind, order in zip(kinds, orders, strict=True):
        wanted = CAUSES[kind].needs(rng, order)
        needs = wanted if needs is None else needs & wanted
    assert needs is not None
    board = draw_board(rng, needs)
    ranked = sorted(
        zip(kinds, orders, strict=True), key=lambda item: BUILD_ORDER.index(item[0]) if item[0] in BUILD_ORDER else -1
    )
    for kind, order in ranked:
        CAUSES[kind].build(board, rng, order)
    take = render(board, rng)
    return Made(samples=take.samples, rate_hz=board.rate_hz, subtype=board.recorder.subtype, truth=truth_of(take))


def _single(variant: str, _seed: int, rng: Rng) -> Made:
    return build([variant], [float(rng.uniform(2.0, 5.0))], rng)


def _pair(variant: str, _seed: int, rng: Rng) -> Made:
    one, other = variant.split("/")
    return build([one, other], [float(t) for t in rng.uniform(2.0, 5.0, 2)], rng)


NEAR_TIMES = {"0.6": 0.6, "1.5": 1.5, "2": 2.0}


def near_variants() -> list[str]:
    """Each kind under, just over and well over its limit; a single lost sample is no near-miss."""
    return [f"{kind}/{times}" for kind in CAUSES for times in NEAR_TIMES if (kind, times) != ("capture-gap", "0.6")]


def _near(variant: str, _seed: int, rng: Rng) -> Made:
    kind, times = variant.split("/")
    return build([kind], [NEAR_TIMES[times]], rng)


SINGLE = TakeClass(name="single", variants=lambda: list(CAUSES), make=_single)
PAIR = TakeClass(name="pair", variants=lambda: [f"{one}/{other}" for one, other in pairs()], make=_pair)
NEAR = TakeClass(name="near", variants=near_variants, make=_near)
