"""Boards heard through a recorder that distorts, couples, hums and inverts: is anything of it blamed on the circuit?

    python -m tests.takes.through_recorder 0 400

Each seed is a board, in order or with one fault of its shape, through an interface in closed form: half of them invert,
all are coupled at 20 Hz, with a floor of -60 dBFS and distortion of their own. Each take is checked three times:
with no bench file, with the recorder's table from its own loop, and with its polarity stated too.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

import listen
from listen.api.setting_up import setup
from listen.calibration.loopback import loopback_samples
from listen.findings.kinds import kind_of
from tests.recorders import Interface
from tests.takes.board import render
from tests.takes.builds import healthy_board
from tests.takes.causes_shape import CAUSES
from tests.takes.needs import Needs, Order, draw_board
from tests.takes.truths import truth_of

FLOOR_DBFS, CORNER_HZ = -60.0, 20.0
LOUD_DBFS = -10.0
"""The floor is 50 dB below the tone: a fault at twice its limit is still heard."""


@dataclass(frozen=True, kw_only=True)
class Heard:
    """One take, checked three times.

    Attributes
    ----------
    seed : int
    fault : str or None
        What was built in.
    half : str or None
        The half of the circuit that is flattened.
    halves_unknown : list of str
        Halves that were named as the circuit's though the polarity is not known.
    halves_wrong : list of str
        Halves that were named wrongly where it is known.
    blamed : list of str
        Findings of shape or hum on a circuit that has none.
    found : bool
        The fault was reported, with its half where it has one.
    """

    seed: int
    fault: str | None
    half: str | None
    halves_unknown: list[str]
    halves_wrong: list[str]
    blamed: list[str]
    found: bool


def interface_of(distortion: float, inverts: bool) -> Interface:
    """Return an interface with so much of H2 and of H3 at half of full scale."""
    return Interface(
        second=4.0 * distortion, third=16.0 * distortion, corner_hz=CORNER_HZ, floor_dbfs=FLOOR_DBFS, inverts=inverts
    )


@lru_cache(maxsize=32)
def recorder_table(distortion: float, inverts: bool, rate_hz: int) -> str:
    """Return the bench file that the interface's own loop gives."""
    with tempfile.TemporaryDirectory() as folder:
        loop = replace(interface_of(distortion, inverts), gain=0.9)
        take = loop.take(Path(folder) / "loop.wav", loopback_samples(rate_hz), rate_hz)
        return setup(loopback=take).text


def distortion_of(seed: int) -> float:
    """Of half the recorders 0.05 %, of the others 1 %."""
    return 5e-4 if seed % 12 < 6 else 0.01


def hear(seed: int, distortion: float) -> Heard:
    """Make a take, and check it three times."""
    rng = np.random.default_rng([seed, 1818])
    # a third is in order, a third has one half flattened, a third any other fault of its shape
    cause = (None, CAUSES[0], CAUSES[int(rng.integers(len(CAUSES)))])[seed // 2 % 3]
    if cause is None:
        board = healthy_board(rng, str(rng.choice(["clean", "jfet", "ldr"])), needs=Needs(lowest_hz=60.0))
    else:
        order = Order(times=float(rng.uniform(2.0, 4.0)))
        board = draw_board(rng, cause.needs(rng, order))
        cause.build(board, rng, order)
    board.behind.clear()
    board.level_dbfs = max(board.level_dbfs, LOUD_DBFS)
    board.recorder = replace(board.recorder, ac_coupling_hz=0.0, noise_dbfs=-130.0, hum_dbfs=-150.0, dc_fs=0.0)
    take = render(board, rng)
    inverts = seed % 2 == 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = interface_of(distortion, inverts).take(folder / "take.wav", take.samples, board.rate_hz, seed)
        bench, table = folder / "bench.toml", recorder_table(distortion, inverts, board.rate_hz)
        results = []
        for text in ("", table, f"[capture]\ninverted = {str(inverts).lower()}\n{table}"):
            bench.write_text(text)
            results.append(listen.check(path, wave="sine", gain_control=board.gain_control, threads=1))
    truth = truth_of(take)
    halves = {item["kind"]: item["half"] for item in truth.expected if item["half"] in ("positive", "negative")}
    return Heard(
        seed=seed,
        fault=cause.kind if cause else None,
        half=next(iter(halves.values()), None),
        halves_unknown=[f.kind for r in results[:2] for f in _named(r) if f.half_known],
        halves_wrong=[
            f"{f.kind} {f.half}"
            for f in _named(results[2])
            if halves and (not f.half_known or f.half != next(iter(halves.values())))
        ],
        blamed=_blamed(results, truth),
        found=all(any(f.kind == item["kind"] for f in results[2].findings) for item in truth.expected),
    )


def _named(result: listen.CheckResult) -> list[listen.Finding]:
    """Findings of the circuit that name one half."""
    return [f for f in result.findings if f.half in ("positive", "negative") and not kind_of(f.kind).of_the_recording]


def _blamed(results: list[listen.CheckResult], truth: object) -> list[str]:
    """Findings at attention or fault that the board has not: with the recorder's table, what is the recorder's."""
    fits = {item["kind"] for item in truth.expected} | {item["kind"] for item in truth.allowed}  # type: ignore[attr-defined]
    fits |= {name for item in truth.expected for name in item["also_accepted"]}  # type: ignore[attr-defined]
    return [f.kind for r in results[1:] for f in r.findings if f.severity != "note" and f.kind not in fits]


def main() -> int:
    """Count over a range of seeds."""
    first, end = int(sys.argv[1]), int(sys.argv[2])
    counts: Counter[str] = Counter()
    for seed in range(first, end):
        heard = hear(seed, distortion_of(seed))
        counts["takes"] += 1
        counts["with a fault"] += heard.fault is not None
        counts["with a flattened half"] += heard.half is not None
        counts["found"] += heard.fault is not None and heard.found
        for what in ("halves_unknown", "halves_wrong", "blamed"):
            names = getattr(heard, what)
            counts[what] += bool(names)
            if names:
                sys.stdout.write(f"{seed} {heard.fault} {heard.half}: {what} {names}\n")
    sys.stdout.write(f"{dict(counts)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
