"""Takes as a bench gives them."""

from __future__ import annotations

import numpy as np

from tests.takes import bench_gear, bench_hands
from tests.takes.class_healthy import finished
from tests.takes.files import Made, TakeClass

FAMILIES = {**bench_hands.FAMILIES, **bench_gear.FAMILIES}


def _bench(variant: str, _seed: int, rng: np.random.Generator) -> Made:
    board, truth = FAMILIES[variant](rng)
    return finished(board, rng, truth)


BENCH = TakeClass(name="bench", variants=lambda: list(FAMILIES), make=_bench)
