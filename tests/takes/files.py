"""A take as a file with its truth beside it: made once, kept in a folder, known by its number and its generator."""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.takes.truths import Truth

Floats = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True, kw_only=True, eq=False)
class Made:
    """A finished take.

    Attributes
    ----------
    samples : ndarray, shape (n,) or (n, channels)
    rate_hz : int
    subtype : str
    truth : Truth
    container : {'flac', 'wav'}
    """

    samples: Floats
    rate_hz: int
    subtype: str
    truth: Truth
    container: str = "flac"


@dataclass(frozen=True, kw_only=True)
class TakeClass:
    """A class of takes: its variants, and how one is made.

    Attributes
    ----------
    name : str
    variants : callable () -> sequence of str
        Empty where the class needs something that this machine lacks.
    make : callable (variant, seed, rng) -> Made
    """

    name: str
    variants: Callable[[], Sequence[str]]
    make: Callable[[str, int, Rng], Made]


def rng_of(class_name: str, variant: str, seed: int) -> Rng:
    """Return the generator of one take."""
    return np.random.default_rng([zlib.crc32(class_name.encode()), zlib.crc32(variant.encode()), seed])


@lru_cache(maxsize=1)
def generator_digest() -> str:
    """Digest of all that makes takes: a kept take of another generator is made anew."""
    digest = hashlib.sha256()
    here = Path(__file__).resolve().parent
    told_apart = {"scoring.py", "__main__.py", "files.py", "test_takes.py", "runs.py"}
    for path in sorted(here.glob("*.py")):
        if path.name not in told_apart and not path.name.startswith("test_"):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def name_of(class_name: str, variant: str, seed: int) -> str:
    """File name without its ending."""
    return f"{class_name}-{variant.replace('/', '+')}-{seed:04d}"


def ensure(take_class: TakeClass, variant: str, seed: int, folder: Path) -> tuple[Path, dict[str, Any]]:
    """Return the take's file and truth; make it where the folder has none of this generator."""
    name = name_of(take_class.name, variant, seed)
    truth_path = folder / f"{name}.truth.json"
    if truth_path.exists():
        kept = json.loads(truth_path.read_text())
        if kept.get("made_by") == generator_digest() and (folder / kept["file"]).exists():
            return folder / kept["file"], kept
    try:
        made = take_class.make(variant, seed, rng_of(take_class.name, variant, seed))
    except Exception as fault:
        raise RuntimeError(f"{name} could not be made: {fault}") from fault
    container = "wav" if made.subtype == "FLOAT" else made.container
    path = folder / f"{name}.{container}"
    aside = folder / f".{name}.{os.getpid()}.{container}"
    soundfile.write(aside, made.samples, made.rate_hz, subtype=made.subtype)
    os.replace(aside, path)
    truth = made.truth
    document = {
        "name": name,
        "class": take_class.name,
        "variant": variant,
        "seed": seed,
        "made_by": generator_digest(),
        "file": path.name,
        "seconds": round(len(made.samples) / made.rate_hz, 3),
        "wave": truth.wave,
        "options": truth.options,
        "expected": truth.expected,
        "allowed": truth.allowed,
        "notes": truth.notes,
        "parts": truth.parts,
    }
    if "bench" in truth.options:
        (folder / f"{name}.bench.toml").write_text(_toml(truth.options["bench"]))
    truth_path.write_text(json.dumps(document, indent=1, default=_plain))
    return path, json.loads(truth_path.read_text())


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(f"{type(value)} in a truth")


def _toml(tables: dict[str, dict[str, Any]]) -> str:
    lines: list[str] = []
    for table, keys in tables.items():
        lines.append(f"[{table}]")
        lines += [f"{key} = {json.dumps(value)}" for key, value in keys.items()]
    return "\n".join(lines) + "\n"
