"""One take checked, its result kept; and all results as a table."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import warnings
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path

from tests.characterise.takes import Job, class_of, times_of
from tests.takes.class_single import CAUSES
from tests.takes.files import ensure, generator_digest, name_of
from tests.takes.runs import check
from tests.takes.scoring import TURNS_THE_VERDICT, score
from tests.takes.truths import LIMITS

PACKAGE = Path(__file__).resolve().parents[2] / "listen"
FOUND_SHARE = 0.99
TWICE = 2.0
UNITS = {
    "asymmetric-clipping": "% of a crest", "symmetric-clipping": "% of a crest", "even-order-distortion": "%",
    "odd-order-distortion": "%", "crossover-distortion": "% of the peak", "slew-limiting": "% of slope",
    "slow-start": "s", "oscillation-dropout": "s", "level-drift": "dB", "amplitude-hunting": "% depth",
    "amplitude-bounce": "dB", "pitch-instability": "cents", "parasitic-oscillation": "dBc", "subharmonic": "dBc",
    "mains-hum": "dBc", "capture-overload": "of full scale", "capture-quiet": "dB under -50", "capture-gap": "samples",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of one take.

    Attributes
    ----------
    kind : str or None
        The fault that was built in.
    size : float or None
        As measured on the noise-free take.
    expected : bool
        It is over its limit by enough to be expected.
    found : bool
    false : list of str
        Kinds at attention or fault that the take has not.
    seconds : float
    error : str
    times : float
        The size that was asked for, in times its limit.
    """

    kind: str | None
    size: float | None
    expected: bool
    found: bool
    false: list[str]
    seconds: float
    error: str = ""
    times: float = 0.0


@lru_cache(maxsize=1)
def _program_digest() -> str:
    """Digest of all that checks: a kept result of another program counts no more."""
    digest = hashlib.sha256()
    for path in sorted(PACKAGE.rglob("*")):
        if path.suffix in (".py", ".cpp", ".hpp", ".toml"):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def result_of(job: Job, cache: Path) -> Result:
    """Return the kept result of a take, or make, check and forget the take."""
    path = cache / f"{name_of(job.class_name, job.variant, job.seed)}.json"
    made_by = f"{generator_digest()} {_program_digest()}"
    try:
        document = json.loads(path.read_text())
        if document.pop("made_by") == made_by:
            return _sized(job, Result(**document))
    except (OSError, ValueError, KeyError, TypeError):  # none, or one that was cut off
        pass
    result = _checked(job)
    aside = path.with_name(f".{path.name}.{os.getpid()}")
    aside.write_text(json.dumps({"made_by": made_by, **asdict(result)}))
    os.replace(aside, path)
    return _sized(job, result)


def _sized(job: Job, result: Result) -> Result:
    return result if job.kind is None else replace(result, times=times_of(job))


def _checked(job: Job) -> Result:
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path, truth = ensure(class_of(job), job.variant, job.seed, Path(folder))
        size = truth["parts"].get(f"{job.kind}_size")
        expected = any(item["kind"] == job.kind for item in truth["expected"])
        try:
            findings = check(path, truth, 1)
        except Exception as fault:  # a check that breaks off is a wrong answer, not the end of the run
            error = f"{type(fault).__name__}: {fault}"
            return Result(
                kind=job.kind,
                size=size,
                expected=expected,
                found=False,
                false=[],
                seconds=truth["seconds"],
                error=error,
            )
    names = {job.kind, *(n for i in truth["expected"] if i["kind"] == job.kind for n in i["also_accepted"])}
    return Result(
        kind=job.kind,
        size=size,
        expected=expected,
        found=any(f.kind in names and f.severity in TURNS_THE_VERDICT for f in findings),
        false=list(score(truth, findings).false),
        seconds=truth["seconds"],
    )


def smallest_found(sizes: Sequence[float], found: Sequence[bool]) -> float | None:
    """Return the smallest size from which on 99 % of the takes were found; None where there is none.

    >>> smallest_found([1.0, 2.0, 3.0, 4.0], [False, True, True, True])
    2.0
    >>> smallest_found([1.0, 2.0], [True, False]) is None
    True
    """
    best, hits = None, 0
    ranked = sorted(zip(sizes, found, strict=True), reverse=True)
    for count, (size, hit) in enumerate(ranked, start=1):
        hits += hit
        if hit and hits >= FOUND_SHARE * count:
            best = size
    return best


def table(results: Iterable[Result]) -> list[str]:
    """Return the table in Markdown: a row a kind, and the sums under it."""
    everything = list(results)
    healthy = [r for r in everything if r.kind is None]
    hours = sum(r.seconds for r in healthy) / 3600.0
    alarms = Counter(kind for r in healthy for kind in r.false)
    lines = [
        "| finding | takes | smallest found in 99 % | limit | found over it | over twice it | false alarms | an hour |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for kind in [*CAUSES, *sorted(set(alarms) - set(CAUSES))]:
        mine = [r for r in everything if r.kind == kind and r.size is not None]
        known = (
            smallest_found([abs(r.size) if r.size is not None else 0.0 for r in mine], [r.found for r in mine])
            if (kind not in _IN_DB)
            else smallest_found([r.size or 0.0 for r in mine], [r.found for r in mine])
        )
        over = [r for r in mine if r.expected]
        limit = f"{LIMITS[kind][0]:g}" if kind in LIMITS else ""
        size = f"{known:.3g} {UNITS.get(kind, '')}".strip() if known is not None else ""
        rate = f"{alarms[kind] / hours:.2f}" if hours else ""
        shares = f"{_share(over)} | {_share(_at_twice(over))}"
        lines.append(f"| {kind} | {len(mine)} | {size} | {limit} | {shares} | {alarms[kind]} | {rate} |")
    rate = f"{sum(alarms.values()) / hours:.2f}" if hours else ""
    faulty = [r for r in everything if r.expected]
    shares = f"{_share(faulty)} | {_share(_at_twice(faulty))}"
    lines.append(f"| all | {len(everything) - len(healthy)} | | | {shares} | {sum(alarms.values())} | {rate} |")
    broken = sum(bool(r.error) for r in everything)
    said = f"{len(healthy)} healthy takes, {hours:.2f} h; {len(everything) - len(healthy)} takes with a fault"
    lines += ["", f"{said}; {broken} checks broke off."]
    return lines


def _at_twice(over: Iterable[Result]) -> list[Result]:
    return [r for r in over if r.times >= TWICE]


def _share(mine: Sequence[Result]) -> str:
    return f"{sum(r.found for r in mine)} of {len(mine)}" if mine else ""


_IN_DB = frozenset({"parasitic-oscillation", "subharmonic", "mains-hum"})
