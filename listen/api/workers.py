"""Who checks many takes: this process, worker processes beside it, or a cluster."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import threading
import time
import warnings
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from listen.api.result_cache import Stamp, stamps
from listen.errors import ListenError, OptionError, one_line
from listen.logbook.types import About
from listen.track import threads_to_use

_PARENT_LOOKED_FOR_EVERY_S = 0.5
_TRACKERS_WORDS = "ignore:resource_tracker:UserWarning"
"""As Python's option -W has it, which such a process is started with: an action, how a warning begins, its kind."""
_THREADS_A_WORKER = 3
"""A worker's own, and those that feed it and wait for it here."""
_ONE_AT_A_TIME = threading.Lock()
"""Pictures are drawn by a library that is not made for threads; a cluster's worker may have several."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One take to check.

    Attributes
    ----------
    index : int
        Its place among all.
    path : str
    settings : mapping
        For :func:`listen.check`.
    outputs : mapping of str to str
        Files to write of it: ``frames`` (``frames-comma`` with decimal commas), ``page``, ``pictures``.
    about : About or None
        The circumstances of the measurement, for the sheet of the page.
    threads : int
    """

    index: int
    path: str
    settings: Mapping[str, Any]
    outputs: Mapping[str, str] = field(default_factory=dict)
    about: About | None = None
    threads: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of a task: a document as JSON text, or the reason why there is none."""

    index: int
    document: bytes | None = None
    error: str | None = None
    written: Mapping[str, Mapping[str, Stamp]] = field(default_factory=dict)


def check_task(task: Task) -> Done:
    """Check one take and write what was asked for of it; whatever goes wrong is an answer, too."""
    try:
        return _check_task(task)
    except ListenError as error:
        return Done(index=task.index, error=str(error))
    except MemoryError:
        return Done(index=task.index, error=f"{task.path}: not enough memory; look at a shorter span (--start, --end)")
    except Exception as error:
        if os.environ.get("LISTEN_TRACEBACK"):
            raise
        said = f"{task.path}: this is a fault of listen itself ({type(error).__name__}: {error}); check it alone"
        return Done(index=task.index, error=one_line(said))


def worker_count() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def check_all(tasks: list[Task], *, workers: int, client: Any = None) -> Iterator[Done]:
    """Check takes, and yield what came of each as soon as it is known.

    Parameters
    ----------
    tasks : list of Task
    workers : int
        Processes; with one, it is this one.
    client : distributed.Client, optional
        Of a cluster, which then does it all.

    Yields
    ------
    Done
        One for each task, in no order. A take whose worker dies is tried again alone; if that one dies too, the
        reason says so.

    Raises
    ------
    OptionError
        The cluster is gone.
    """
    if client is None and (workers == 1 or len(tasks) < 2 or not _workers_can_start(workers)):
        yield from map(check_task, tasks)
        return
    pending = {task.index: task for task in tasks}
    while pending:
        sent: list[Task] = []
        try:
            for done in _together(_noted(list(pending.values()), sent), workers, client):
                del pending[done.index]
                yield done
        except OSError as error:  # in starting a worker: what goes wrong with a take is an answer
            if client is not None or error.errno not in (errno.EAGAIN, errno.ENOMEM):
                raise
            yield from map(check_task, [pending.pop(index) for index in list(pending)])
        except _broken(client):
            # One of those that were being worked on did it: which one shows when each is alone.
            for task in [task for task in sent if task.index in pending]:
                done = _alone(task, client)
                del pending[task.index]
                yield done


def _workers_can_start(workers: int) -> bool:
    """Tell whether the system lets processes be started that can wait for each other.

    Else this process does it all: where /dev/shm may not be written, or no more threads or processes are allowed.
    """
    import multiprocessing

    ways = multiprocessing.get_all_start_methods()
    try:
        # of this way of starting, the semaphore leaves no trace and needs no process of its own
        multiprocessing.get_context("fork" if "fork" in ways else None).Semaphore()
    except (OSError, ImportError):
        return False
    return threads_to_use(_THREADS_A_WORKER * (workers + 1)) > 1


def _alone(task: Task, client: Any) -> Done:
    try:
        (done,) = _together([task], 2, client)  # two: with one, it would be this process
    except _broken(client) as error:
        if client is not None and client.status != "running":
            raise OptionError(
                f"the cluster at {client.scheduler.address} is gone",
                "start it again and repeat the command (with --keep DIR it carries on)",
            ) from error
        said = f"{task.path}: its worker was killed, twice; it may need more memory: try it alone, or --workers 1"
        return Done(index=task.index, error=said)
    return done


def _noted(tasks: Iterable[Task], sent: list[Task]) -> Iterator[Task]:
    for task in tasks:
        sent.append(task)
        yield task


def _together(tasks: Iterable[Task], workers: int, client: Any) -> Iterator[Done]:
    """Hand tasks out one by one, a few ahead, and yield what comes back."""
    from joblib import Parallel, delayed, parallel_config

    if client is None:
        # Here the linear algebra library gets one thread whatever the environment says: more spin beside ours.
        backend: dict[str, Any] = {
            "backend": "loky",
            "inner_max_num_threads": 1,
            "initializer": _settle,
            "initargs": (os.getpid(), os.path.realpath(os.curdir)),
        }
    else:
        from listen.api.cluster import backend_of

        backend = {"backend": backend_of(client)}
    with warnings.catch_warnings():
        # It says so when it replaces a worker whose memory has grown, and what an interrupt has cost: of no use here.
        warnings.simplefilter("ignore", UserWarning)
        with parallel_config(**backend):
            pool = Parallel(n_jobs=workers, batch_size=1, return_as="generator_unordered", max_nbytes=None)
        with _streams_to_flush(), _trackers_are_silent():
            with _interrupts_wait():
                results = pool(delayed(check_task)(task) for task in tasks)
            yield from results


def _broken(client: Any) -> tuple[type[BaseException], ...]:
    if client is None:
        return (BrokenProcessPool,)
    from listen.api.cluster import BROKEN

    return BROKEN


@contextlib.contextmanager
def _interrupts_wait() -> Iterator[None]:
    """Hold back an interrupt while workers are started: they inherit that, and leave Ctrl-C to this process."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # started in between, it would let interrupts through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _trackers_are_silent() -> Iterator[None]:
    """Start the processes that clean up behind this one without their complaint that there was something to clean up.

    They outlive a process that was killed while it tidied up, and write where it wrote.
    """
    sys.warnoptions.append(_TRACKERS_WORDS)
    try:
        yield
    finally:
        sys.warnoptions.remove(_TRACKERS_WORDS)


@contextlib.contextmanager
def _streams_to_flush() -> Iterator[None]:
    """Lend streams in place of closed ones while workers are started: the library flushes them before it does so."""
    with open(os.devnull, "w", encoding="ascii") as nowhere:
        before = sys.stdout, sys.stderr
        sys.stdout, sys.stderr = (stream or nowhere for stream in before)
        try:
            yield
        finally:
            sys.stdout, sys.stderr = before


def _settle(parent: int, folder: str) -> None:
    """Put a worker where its parent stands (another place makes new workers), and make it go when that is gone."""
    with contextlib.suppress(OSError):
        os.chdir(folder)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_PARENT_LOOKED_FOR_EVERY_S)
        os._exit(1)

    with contextlib.suppress(RuntimeError):  # no more threads: it then stays until its work is done
        threading.Thread(target=watch, daemon=True).start()


def _check_task(task: Task) -> Done:
    import json

    from listen.api.checking import check
    from listen.report.document import check_document

    result = check(task.path, threads=task.threads, **task.settings)
    written: dict[str, Mapping[str, Stamp]] = {}
    for kind, target in task.outputs.items():
        written[kind] = stamps(_write(kind, result, Path(target), task.about))
    text = json.dumps(check_document(result), allow_nan=False).encode("ascii")
    return Done(index=task.index, document=text, written=written)


def _write(kind: str, result: Any, target: Path, about: About | None) -> list[Path]:
    if kind in ("frames", "frames-comma"):
        from listen.report.frames_csv import write_frames_csv

        decimal: Literal["comma", "point"] = "comma" if kind == "frames-comma" else "point"
        write_frames_csv(result.frames, target, decimal, result.channel_pair)
    elif kind == "page":
        from listen.report.page import write_check_page

        write_check_page(result, target, about)
    else:
        from listen.report.page.pictures import write_pictures

        with _ONE_AT_A_TIME:
            return write_pictures(result, target)
    return [target]
