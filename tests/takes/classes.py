"""All classes of takes, by name."""

from __future__ import annotations

from tests.takes import class_bench, class_circuit, class_foreign, class_healthy, class_room, class_single
from tests.takes.files import TakeClass

CLASSES: dict[str, TakeClass] = {
    one.name: one
    for one in (
        class_single.SINGLE,
        class_single.PAIR,
        class_healthy.ALONE_HEALTHY,
        class_healthy.POWERUP_HUM,
        class_bench.BENCH,
        class_room.ROOM,
        class_foreign.FOREIGN,
        class_foreign.WRONG,
        class_single.NEAR,
        class_healthy.HIGH_SINE,
        class_circuit.CIRCUIT,
        class_healthy.HOURS,
    )
}
