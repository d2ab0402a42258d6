"""``listen check`` of many takes: shared out, each for itself, carried on where an earlier run was stopped."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from listen.api.bench_lookup import find_bench_file
from listen.api.gathering import Found
from listen.api.result_cache import key_of, open_cache
from listen.api.workers import Done, Task, check_all, worker_count
from listen.errors import OptionError, one_line
from listen.logbook.types import About
from listen.report.many import Row, row_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Many:
    """What came of many takes.

    Attributes
    ----------
    rows : tuple of Row
        In the order in which they were given.
    from_before : int
        So many of them were taken from an earlier run.
    """

    rows: tuple[Row, ...]
    from_before: int


def check_many(
    found: Sequence[Found],
    *,
    settings: Mapping[str, Any],
    outputs: Sequence[Mapping[str, str]] | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    keep: str | os.PathLike[str] | None = None,
    documents: bool = False,
    about: About | None = None,
    progress: Callable[[float], None] | None = None,
) -> Many:
    """Check many takes.

    Parameters
    ----------
    found : sequence of Found
    settings : mapping
        Arguments of :func:`listen.check`, for all of them.
    outputs : sequence of mapping, optional
        For each take the files to write of it: ``frames``, ``page``, ``pictures``. Their folders exist.
    workers : int, optional
        Processes; as many as there are cores to use where not given. No row depends on it.
    cluster : str, optional
        The address of a cluster's scheduler, which does it instead. Its workers must see the same files, under the
        same names.
    keep : path, optional
        A folder for results, for a later run of the same.
    documents : bool
        Whether rows carry their documents.
    about : About, optional
        The circumstances of the measurements, for the sheets of the pages.
    progress : callable, optional
        Called with the part that is done, 0 to 1.

    Returns
    -------
    Many

    Raises
    ------
    ListenError
        The call as a whole cannot be done; what is wrong with one take is in its row.
    """
    settings = dict(settings)
    if cluster is not None:
        found, settings = _absolute(found, settings)
    rows: dict[int, Row] = {i: _failed(item, item.error) for i, item in enumerate(found) if item.error is not None}
    cache = None if keep is None else open_cache(keep)
    keys: dict[int, dict[str, Any] | None] = {}
    tasks = []
    for i, item in enumerate(found):
        if i in rows:
            continue
        wanted = dict(outputs[i]) if outputs else {}
        if cache is not None:
            keys[i] = key = _cache_key(item.path, settings, about if "page" in wanted else None)
            text = None if key is None else cache.look_up(key, wanted)
            if text is not None:
                rows[i] = _passed(item, text, documents)
                continue
        tasks.append(Task(index=i, path=item.path, settings=settings, outputs=wanted, about=about))
    from_before = sum(row.error is None for row in rows.values())
    report = progress or (lambda _part: None)
    report(len(rows) / len(found))
    if len(tasks) == 1 and workers != 1:
        tasks = [replace(tasks[0], threads=2)]
    with contextlib.closing(_shared_out(tasks, workers, cluster)) as results:  # an interrupt ends the workers at once
        for done in results:
            item, known = found[done.index], keys.get(done.index)
            if cache is not None and known is not None and done.document is not None:
                cache.keep(known, done.document, done.written)
            rows[done.index] = _row_of(item, done, documents)
            report(len(rows) / len(found))
    return Many(rows=tuple(rows[i] for i in range(len(found))), from_before=from_before)


def _shared_out(tasks: list[Task], workers: int | None, cluster: str | None) -> Generator[Done, None, None]:
    if cluster is None or not tasks:
        # A worker more than there are takes would only be started and stopped.
        yield from check_all(tasks, workers=min(workers or worker_count(), max(1, len(tasks))))
        return
    try:
        from listen.api.cluster import cluster_at
    except ImportError as missing:
        raise OptionError(
            f"--cluster needs dask.distributed ({missing})",
            'install it: pip install "listen[cluster]", or leave --cluster out',
        ) from missing
    with cluster_at(cluster) as client:
        yield from check_all(tasks, workers=2, client=client)


def _absolute(found: Sequence[Found], settings: dict[str, Any]) -> tuple[list[Found], dict[str, Any]]:
    """Name files so that a process elsewhere finds them."""
    files = {name: os.path.abspath(settings[name]) for name in ("bench", "limits") if settings.get(name) is not None}
    return [replace(item, path=os.path.abspath(item.path)) for item in found], {**settings, **files}


def _cache_key(path: str, settings: Mapping[str, Any], about: About | None) -> dict[str, Any] | None:
    bench = settings.get("bench")
    bench_path = find_bench_file(path) if bench is None else bench
    files = {"bench": None if bench_path is None else os.fspath(bench_path), "limits": settings.get("limits")}
    stated = {} if about is None else {"about": repr(about)}
    return key_of(path, {**settings, **stated}, files)


def _row_of(item: Found, done: Done, documents: bool) -> Row:
    if done.document is None:
        return _failed(item, done.error or "it was not checked")
    return _passed(item, done.document, documents)


def _passed(item: Found, text: bytes, documents: bool) -> Row:
    document = json.loads(text)
    if document["capture"]["path"] != item.path:  # kept under another way to write the same place
        document["capture"]["path"] = item.path
        text = json.dumps(document, allow_nan=False).encode("ascii")
    return row_of(item.path, item.label, document, text if documents else None)


def _failed(item: Found, error: str | None) -> Row:
    said = (error or "").removeprefix(f"{one_line(item.path)}: ")
    return Row(path=item.path, label=item.label, outcome="unusable", error=said)
