"""The takes by number: healthy ones, and ones with a fault of a size drawn around its limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.takes import sounds
from tests.takes.class_healthy import finished
from tests.takes.class_room import PLACES
from tests.takes.class_single import CAUSES
from tests.takes.classes import CLASSES
from tests.takes.files import Made, TakeClass, rng_of
from tests.takes.needs import Needs, Order, draw_board
from tests.takes.truths import Truth

SMALLEST, LARGEST = 0.8, 4.0
"""Sizes of the faults in times their limit: from below it, where nothing is expected, to a plain fault."""
CIRCUITS_IN_ORDER = ("vdp-soft", "quadrature", "wien-diodes", "wien-jfet", "wien-lamp")
QUIET_PLACES = ("speech-before", "knock-before", "keys-before", "room-quiet", "speech-under-faint")
"""Rooms whose sounds under the tone are below every limit."""
LOWEST_IN_A_ROOM_HZ = 90.0
OTHERS = (
    *(("alone-healthy", build) for build in ("clean", "diodes", "jfet", "lamp", "ldr")),
    *(("hours", build) for build in ("clean", "diodes", "jfet", "lamp", "ldr")),
    *(("powerup-hum", f"{mains}/{form}") for mains in (50, 60) for form in ("steady", "near", "through")),
    *(("bench", name) for name in ("lamp-normal", "low-notes", "noise-white", "noise-pink", "second-faint", "whistle")),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One take.

    Attributes
    ----------
    class_name, variant : str
        Of a healthy take its class; of a faulty one ``fault`` and its kind with the place it is heard in.
    seed : int
    kind : str or None
        The fault that is built in.
    """

    class_name: str
    variant: str
    seed: int
    kind: str | None = None


def _drawn_times(rng: np.random.Generator) -> float:
    return math.exp(float(rng.uniform(math.log(SMALLEST), math.log(LARGEST))))


def times_of(job: Job) -> float:
    """Return the size that a fault was asked to have, in times its limit: the first number that its seed draws."""
    return _drawn_times(rng_of(job.class_name, job.variant, job.seed))


def _fault(variant: str, _seed: int, rng: np.random.Generator) -> Made:
    """A board with one fault, alone or in a recorded room; its size is even in the logarithm."""
    kind, place = variant.split("/")
    order = Order(times=_drawn_times(rng))
    needs = CAUSES[kind].needs(rng, order)
    if place != "alone":
        needs = needs & Needs(lowest_hz=LOWEST_IN_A_ROOM_HZ)
    board = draw_board(rng, needs)
    truth = Truth()
    if place != "alone":
        board.behind.clear()
    CAUSES[kind].build(board, rng, order)
    if place != "alone":
        PLACES[place](rng, board, truth)
    return finished(board, rng, truth)


FAULT = TakeClass(name="fault", variants=lambda: [f"{kind}/alone" for kind in CAUSES], make=_fault)


def class_of(job: Job) -> TakeClass:
    """Return the class that makes a take."""
    return FAULT if job.class_name == "fault" else CLASSES[job.class_name]


def healthy_job(number: int) -> Job:
    """Return a healthy take: one of four a solved circuit, one of four in a room, where this machine has rooms."""
    turn, number_there = number % 4, number // 4
    if turn == 1:
        return _of(number_there, [("circuit", name) for name in CIRCUITS_IN_ORDER])
    rooms = [("room", variant) for variant in CLASSES["room"].variants() if variant.startswith("healthy/")]
    if turn == 3 and rooms:
        return _of(number_there, rooms)
    # turns 0, 2 and, without rooms, 3
    place = {0: 0, 2: 1, 3: 2}[turn]
    return _of((2 if rooms else 3) * number_there + place, list(OTHERS))


def _of(number: int, kinds: list[tuple[str, str]]) -> Job:
    name, variant = kinds[number % len(kinds)]
    return Job(class_name=name, variant=variant, seed=7000 + number // len(kinds))


def fault_job(kind: str, number: int) -> Job:
    """Return a take with a fault: every other one in a recorded room."""
    in_room = number % 2 == 1 and sounds.folder() is not None
    place = QUIET_PLACES[number // 2 % len(QUIET_PLACES)] if in_room else "alone"
    return Job(class_name="fault", variant=f"{kind}/{place}", seed=7000 + number, kind=kind)


def jobs(healthy: int, faulty: int) -> list[Job]:
    """Return all takes, healthy and faulty mixed evenly, so that a run that is stopped has some of each."""
    order: list[tuple[float, Job]] = [((i + 0.5) / healthy, healthy_job(i)) for i in range(healthy)]
    for k, kind in enumerate(CAUSES):
        order += [((i + (k + 0.5) / len(CAUSES)) / faulty, fault_job(kind, i)) for i in range(faulty)]
    return [job for _, job in sorted(order, key=lambda item: item[0])]


__all__ = ["Job", "class_of", "fault_job", "healthy_job", "jobs", "times_of"]
