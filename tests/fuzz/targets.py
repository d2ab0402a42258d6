"""What reads files of others, each with valid input to be changed: one run of a target is one changed input."""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import json
import os
import random
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import soundfile

import listen
from listen.api.calibrating import calibrate
from listen.api.earlier_table import table_before
from listen.api.result_cache import key_of, open_cache
from listen.bench import load_bench
from listen.calibration import parse_steps, parse_values, read_steps_file
from listen.cli import main
from listen.findings import load_limits
from listen.logbook import About, record, record_note
from listen.report import check_document
from listen.report.calibration_document import calibration_document
from tests.fuzz.mutations import ODD_VALUES, mutate_bytes, mutate_tree

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 48_000
BENCH = b"""# a bench file with every kind of value
[build]
name = "north shelf"
topology = "wien-bridge"
gain_control = "diodes"
wave = "sine"
duty_percent = 50
supply_v = [-12.0, 12.0]
[build.parts]
r1_ohm = [1.5e3, 51500]
c1_f = 15e-9
tolerance_percent = [5, 1]
measured = true
[build.gain]
rf_ohm = 20e3
rg_ohm = 9.1e3
[build.opamp]
slew_v_per_us = 13
headroom_v = [1.5, 1.5]
[capture]
channel = 1
volts_per_full_scale = 5.2
inverted = false
clock_error_ppm = -12.5
[recorder]
level_dbfs = [-48.0, -12.0, -3.0]
h2_dbc = [-90.0, -80.5, -71]
corner_hz = 2.5
response_hz = [5.0, 997.0]
response_db = [-0.02, 0]
loop_inverted = true
[cv]
channel = 2
offset_v = 0.01
"""
LIMITS = b"[level-drift]\nattention = 1.5\nfault = 4\n[asymmetric-clipping]\nattention = 3.0\n"
STEPS_CSV = (
    b"start_s,end_s,cv_v,nominal_v\n0.1,0.9,0.00,0\n1.1,1.9,0.98,1\n2.1,2.9,2.01,2\n",
    b"cv_v\n0.00\n0.98\n2.01\n",
    b"start_s;end_s;cv_v\n0,1;0,9;0,00\n1,1;1,9;0,98\n",
)
STEPS = ("0:5:0.5:updown", "0,5:4:0,25", "-1:1:1e-2:down", "0.00,0.98,2.01", "0,98;2,01;2,97")


@dataclass(frozen=True, kw_only=True)
class Base:
    """Valid input of every kind, made once."""

    check: Mapping[str, Any]
    check_text: str
    calibration: Mapping[str, Any]
    logbook: Path
    take: Path
    folder: Path
    kept: bytes
    """The file of a kept result of the take."""


MOST_ITEMS = 6
"""Of a list in a valid document: it has hundreds of rows alike, and to read and to hold them takes most of a run."""
Target = Callable[[random.Random, Base], int]


def make_base(folder: Path) -> Base:
    """Check and calibrate short takes, and keep the results in a logbook."""
    fixture, bench = ROOT / "fixtures" / "sine-board-unequal-supplies.wav", folder / "whole.toml"
    bench.write_bytes(BENCH)
    check = _short(json.loads(json.dumps(check_document(listen.check(fixture, bench=bench, start_s=2.0, end_s=9.5)))))
    pitch_hz = np.repeat(110.0 * 2.0 ** np.arange(5), RATE_HZ)
    stairs, take = folder / "stairs.wav", folder / "take.wav"
    soundfile.write(stairs, 0.4 * np.sin(2.0 * np.pi * np.cumsum(pitch_hz) / RATE_HZ), RATE_HZ)
    soundfile.write(take, 0.4 * np.sin(2.0 * np.pi * 441.0 * np.arange(RATE_HZ // 5) / RATE_HZ), RATE_HZ)
    table = json.loads(json.dumps(calibration_document(calibrate(stairs, cv_values=[0.0, 1.0, 2.0, 3.0, 4.0]))))
    logbook = folder / "whole.sqlite"
    record(check, build="north shelf", path=logbook, about=About(note="as built", temperature_c=21.5))
    for state in ("as-found", "as-left"):
        record(table, build="north shelf", path=logbook, about=About(state=state, warm_up_min=20.0))  # type: ignore[arg-type]
    record_note(build="south shelf", path=logbook, about=About(note="a note"))
    return Base(
        check=check, check_text=json.dumps(check), calibration=table, logbook=logbook, take=take, folder=folder,
        kept=_kept_file(check, take, folder / "kept"),
    )  # fmt: skip


def _short(value: Any) -> Any:
    """Cut long lists."""
    if isinstance(value, dict):
        return {key: _short(one) for key, one in value.items()}
    return [_short(one) for one in value[:MOST_ITEMS]] if isinstance(value, list) else value


def _kept_file(check: Mapping[str, Any], take: Path, folder: Path) -> bytes:
    kept, key = open_cache(folder), key_of(str(take), {}, {})
    assert key is not None
    kept.keep(key, json.dumps(_of_take(check, take)).encode(), {})
    (file,) = folder.iterdir()
    return file.read_bytes()


def _of_take(check: Mapping[str, Any], take: Path) -> dict[str, Any]:
    digest = hashlib.sha256(take.read_bytes()).hexdigest()
    return {**check, "capture": {**check["capture"], "sha256": digest}}


_COMMAND_LINE = importlib.import_module("listen.cli.main")
_the_parser = lru_cache(maxsize=1)(_COMMAND_LINE.build_parser)


def _listen(*words: str) -> int:
    """Call the command with one parser for all runs: to build it takes longer than most runs."""
    with patch.object(_COMMAND_LINE, "build_parser", _the_parser):
        return main(words)


def _document_text(rng: random.Random, document: Any) -> bytes:
    if rng.random() < 0.15:
        return mutate_bytes(rng, json.dumps(document).encode())
    return json.dumps(mutate_tree(rng, document)).encode("utf-8", "surrogatepass")


def compare_document(rng: random.Random, base: Base) -> int:
    """A changed check on one side or both, to a page on the terminal, JSON and a page for the browser."""
    sides = [base.folder / "before.json", base.folder / "after.json"]
    for side in sides:
        side.write_text(base.check_text, encoding="utf-8")
    for side in rng.choice((sides[:1], sides[1:], sides)):
        side.write_bytes(_document_text(rng, base.check))
    rest = ["--json", str(base.folder / "out.json")]
    if rng.random() < 0.2:
        rest += ["--report", str(base.folder / "pages")]
    return _listen("compare", *map(str, sides), *rest)


def table_document(rng: random.Random, base: Base) -> int:
    """A changed calibration, as `calibrate --before` reads it."""
    path = base.folder / "table.json"
    path.write_bytes(_document_text(rng, base.calibration))
    table_before(path, 0.5)
    return 0


def kept_result(rng: random.Random, base: Base) -> int:
    """A changed result of an earlier run."""
    kept, key = open_cache(base.folder / "kept"), key_of(str(base.take), {}, {})
    assert key is not None
    (file,) = (base.folder / "kept").iterdir()
    whole = base.kept
    changed = (
        mutate_bytes(rng, whole) if rng.random() < 0.5 else json.dumps(mutate_tree(rng, json.loads(whole))).encode()
    )
    file.write_bytes(changed)
    text = kept.look_up(key, {})
    if text is not None:
        document = json.loads(json.dumps(_of_take(base.check, base.take)))
        assert json.loads(text) == document, "a changed result was taken for a kept one"
    return 0


def bench_file(rng: random.Random, base: Base) -> int:
    """A changed bench file."""
    path = base.folder / "bench-changed.toml"
    path.write_bytes(mutate_bytes(rng, BENCH))
    load_bench(path)
    return 0


def limits_file(rng: random.Random, base: Base) -> int:
    """A changed file of limits."""
    path = base.folder / "limits-changed.toml"
    path.write_bytes(mutate_bytes(rng, LIMITS))
    load_limits(path, gain_control=None, wave="sine")
    return 0


def steps_csv(rng: random.Random, base: Base) -> int:
    """A changed table of steps."""
    path = base.folder / "steps-changed.csv"
    path.write_bytes(mutate_bytes(rng, rng.choice(STEPS_CSV)))
    read_steps_file(path)
    return 0


def steps_text(rng: random.Random, _base: Base) -> int:
    """Changed steps on the command line."""
    text = mutate_bytes(rng, rng.choice(STEPS).encode()).decode("utf-8", "surrogateescape").replace("\0", "")
    if ":" in text:
        parse_steps(text)
    else:
        parse_values(text, "--cv-values")
    return 0


_CALLS: tuple[tuple[str, ...], ...] = (
    *(("list",), ("show", "north shelf"), ("entry", "1"), ("entry", "2"), ("drift", "north shelf"), ("verify",)),
    *(
        ("export", "--json", "-"),
        ("export", "--csv", "OUT"),
        ("export", "--steps", "OUT"),
        ("note", "north shelf", "x"),
    ),
    *(
        ("strike", "2", "changed"),
        ("show", "south shelf", "--report", "PAGES"),
        ("drift", "north shelf", "--json", "-"),
    ),
)


def logbook(rng: random.Random, base: Base) -> int:
    """A changed logbook: of its rows, or of the bytes of the file."""
    book = base.folder / "changed.sqlite"
    for ending in ("", "-wal", "-shm", "-journal"):
        Path(f"{book}{ending}").unlink(missing_ok=True)
    data = base.logbook.read_bytes()
    book.write_bytes(mutate_bytes(rng, data) if rng.random() < 0.25 else data)
    if book.read_bytes() == data:
        _change_rows(rng, book)
    names = {"OUT": str(base.folder / "out.csv"), "PAGES": str(base.folder / "pages")}
    calls = rng.sample(_CALLS, 3)
    statuses = [_listen("logbook", "--logbook", str(book), *(names.get(word, word) for word in call)) for call in calls]
    statuses.append(_listen("compare", "1", "1", "--entries", "--logbook", str(book)))
    return max(statuses)


def _change_rows(rng: random.Random, book: Path) -> None:
    """Change cells of a logbook's tables, without the checks that its own statements would meet."""
    with closing(sqlite3.connect(book)) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        for _ in range(rng.choice((1, 1, 2, 4))):
            table = rng.choice(("entry", "entry", "entry", "build"))
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            column = rng.choice(columns[1:] if rng.random() < 0.9 else columns)
            (number, old), *_ = rng.sample(connection.execute(f"SELECT rowid, {column} FROM {table}").fetchall(), 1)
            value = _odd_cell(rng, old)
            try:
                connection.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (value, number))
            except (sqlite3.Error, OverflowError):
                continue
        connection.commit()


def _odd_cell(rng: random.Random, old: Any) -> Any:
    if isinstance(old, str) and rng.random() < 0.5:
        # a cell that was changed before may be no document any longer
        with contextlib.suppress(ValueError):
            if old.startswith("{"):
                return _document_text(rng, json.loads(old)).decode("utf-8", "replace")
        return mutate_bytes(rng, old.encode()).decode("utf-8", "replace")
    value = rng.choice((*ODD_VALUES, b"", b"\xff\x00", b"2026-03-01", "9999-12-31T23:59:59+00:00", "2026-03-01"))
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    return json.dumps(value) if isinstance(value, (list, dict)) else value


def wav_header(rng: random.Random, base: Base) -> int:
    """A changed header of a short take."""
    path = base.folder / "changed.wav"
    path.write_bytes(mutate_bytes(rng, base.take.read_bytes(), head=48))
    return _listen("check", str(path), "--quiet", "--json", os.devnull)


TARGETS: Mapping[str, Target] = {
    "compare": compare_document,
    "table": table_document,
    "kept": kept_result,
    "bench": bench_file,
    "limits": limits_file,
    "csv": steps_csv,
    "steps": steps_text,
    "logbook": logbook,
    "wav": wav_header,
}
