"""Runs of a target by seed, and what is wrong with how one ended."""

from __future__ import annotations

import contextlib
import io
import os
import random
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from listen.errors import LONGEST_LINE, ListenError
from tests.fuzz.targets import TARGETS, Base

LONGEST_RUN_S = 2.0
"""Of processor time: the machine may be busy with other things."""


@dataclass(frozen=True, kw_only=True)
class Ending:
    """How a run ended: what is wrong with it (empty where nothing is), and where."""

    target: str
    seed: int
    wrong: tuple[str, ...]
    detail: str = ""


def run(target: str, seed: int, base: Base) -> Ending:
    """Run a target once; the seed makes the input."""
    out, err, detail = io.StringIO(), io.StringIO(), ""
    began_s, status = time.process_time(), 2
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            status = TARGETS[target](random.Random(f"{target} {seed}"), base)
        except ListenError as error:
            err.write(f"listen: {error}\n")
        except Exception:
            detail = traceback.format_exc()
    took_s = time.process_time() - began_s
    wrong = [*_wrong_lines(err.getvalue(), status)]
    if detail:
        wrong.append("traceback")
    if took_s > LONGEST_RUN_S:
        wrong.append(f"over {LONGEST_RUN_S:g} s")
    return Ending(target=target, seed=seed, wrong=tuple(wrong), detail=detail or err.getvalue())


def _wrong_lines(text: str, status: int) -> Iterable[str]:
    lines = text.splitlines()
    if "fault of listen" in text:
        yield "fault of listen"
    if "Traceback" in text:
        yield "traceback"
    if any(len(line) > LONGEST_LINE for line in lines):
        yield f"over {LONGEST_LINE} characters"
    if not all(line.isprintable() for line in lines):
        yield "not printable"
    if status not in (0, 1, 2):
        yield f"status {status}"


def run_many(
    targets: Iterable[str], seeds: range, base: Base, most_s: float = float("inf")
) -> tuple[int, list[Ending]]:
    """Run targets over seeds; return how many runs there were, and those that ended wrongly."""
    os.environ["LISTEN_TRACEBACK"] = "1"  # a fault of our own is to show where it is
    bad: list[Ending] = []
    count, began_s = 0, time.monotonic()
    try:
        for target in targets:
            for seed in seeds:
                if time.monotonic() - began_s > most_s:
                    break
                count += 1
                ending = run(target, seed, base)
                if ending.wrong:
                    bad.append(ending)
    finally:
        del os.environ["LISTEN_TRACEBACK"]
    return count, bad


def last_place(ending: Ending) -> str:
    """Return the last line of our own that a fault passed through, to sort faults by."""
    lines = [line.strip() for line in ending.detail.splitlines()]
    places = [line for line in lines if line.startswith("File ") and "/listen/" in line]
    return f"{places[-1].split('/listen/')[-1] if places else ''} {lines[-1][:150] if lines else ''}"


def table(bad: Iterable[Ending]) -> list[str]:
    """Return what went wrong, most often first, each with the first seed of it."""
    endings = list(bad)
    counts = Counter((e.target, e.wrong, last_place(e)) for e in endings)
    first = {(e.target, e.wrong, last_place(e)): e.seed for e in reversed(endings)}
    return [
        f"{count:6d}  {key[0]:8} seed {first[key]:<6d} {', '.join(key[1])}: {key[2]}"
        for key, count in counts.most_common()
    ]
