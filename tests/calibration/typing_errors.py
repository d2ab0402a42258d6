"""Typing errors, counted on recordings: ``python -m tests.calibration.typing_errors 0 200``.

Each number makes a good table and the same table with one error (`typed_tables`). The recording is written, and the
command itself reads it. A good table is doubted where the status is not 0. An error is found where the call is refused,
or where the status is 1 and every wrong voltage is named: a step marked, a plateau without a voltage, a voltage without
a plateau.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from listen.cli import main as listen
from tests.calibration.typed_tables import Floats, Table, spoiled, table

RATE_HZ = 44100
HOLD_S = 0.5


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What the command says of a table, and when its steps begin."""

    status: int
    document: dict[str, Any]
    said: str
    edges_s: Floats


def record(made: Table, path: Path, seed: int) -> Floats:
    """Write a sine with a little second harmonic, each step held for half a second; return when each step begins."""
    rng = np.random.default_rng([seed, 17])
    hold = np.round(HOLD_S * RATE_HZ * rng.uniform(0.9, 1.3, len(made.hz))).astype(int)
    f0_hz = np.repeat(made.hz, hold)
    phase = 2.0 * np.pi * np.cumsum(f0_hz) / RATE_HZ
    samples = 0.3 * np.sin(phase) + 0.002 * np.sin(2.0 * phase) + 1e-5 * rng.standard_normal(len(phase))
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    return np.concatenate([[0.0], np.cumsum(hold)[:-1]]) / RATE_HZ


def called(made: Table, folder: Path, seed: int) -> Answer:
    """Record a table and run the command on it."""
    edges_s = record(made, folder / "take.wav", seed)
    out = folder / "out.json"
    out.unlink(missing_ok=True)
    said = io.StringIO()
    call = ["calibrate", str(folder / "take.wav"), f"--cv-values={made.text}", "--quiet", f"--json={out}"]
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        status = listen(call)
    document = json.loads(out.read_text()) if out.is_file() else {}
    return Answer(status=status, document=document, said=said.getvalue(), edges_s=edges_s)


def named(made: Table, answer: Answer) -> str:
    """Return ``refused``, ``named``, or what is wrong with the answer."""
    if answer.status == 2:
        return "refused"
    if answer.status != 1:
        return f"status {answer.status}"
    steps, edges_s = answer.document["steps"], answer.edges_s
    if made.error == "left out":
        held = [int(np.argmin(np.abs(edges_s - step["start_s"]))) for step in steps if step["start_s"] is not None]
        right = held == [i for i in range(len(made.hz)) if i != made.wrong[0]]
        return "named" if right else f"plateaus {held}"
    if made.error == "doubled":
        missing = [i for i, step in enumerate(steps) if step["missing"]]
        return "named" if len(missing) == 1 and missing[0] in made.wrong else f"missing: {missing}"
    marked = {i for i, step in enumerate(steps) if step["doubtful"]}
    if not set(made.wrong) <= marked:
        return f"marked {sorted(marked)}, wrong {made.wrong}"
    right = spoiled_fits(made, steps)
    return "named" if right else "another voltage is said to fit"


def spoiled_fits(made: Table, steps: list[dict[str, Any]]) -> bool:
    """Whether the voltage that is said to fit is the one that was held (the meter is up to half a per cent off)."""
    most = 0.3 * float(np.median(np.abs(np.diff(made.held_v))))
    return all(abs(steps[i]["fits_v"] - made.held_v[i]) < most for i in made.wrong)


def main(first: int, last: int) -> int:
    """Make, call, count."""
    doubted, found, made_of, refused = 0, Counter[str](), Counter[str](), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seed in range(first, last):
            good = table(seed)
            answer = called(good, folder, seed)
            if answer.status != 0:
                doubted += 1
                why = answer.said or answer.document["doubts"]
                _say(f"{seed} {good.law}: a good table: status {answer.status} {why} {good.text}")
            bad = spoiled(seed)
            made_of[bad.error] += 1
            found_out = named(bad, called(bad, folder, seed))
            found[bad.error] += found_out in ("named", "refused")
            refused[bad.error] += found_out == "refused"
            if found_out not in ("named", "refused"):
                _say(f"{seed} {bad.law}: {bad.error} at {bad.wrong}: {found_out}; typed {bad.text}")
    for kind in made_of:
        _say(f"{kind:9} {found[kind]:4} of {made_of[kind]} (refused: {refused[kind]})")
    _say(f"good tables doubted: {doubted} of {last - first}")
    return 0 if not doubted and found == made_of else 1


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
