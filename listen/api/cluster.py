"""A cluster as workers: joblib's Dask backend. Imported only for ``--cluster``, for its library is an extra."""

from __future__ import annotations

import contextlib
import logging
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from typing import Any

from distributed import CancelledError, Client, KilledWorker
from distributed.comm.core import CommClosedError
from joblib._dask import DaskDistributedBackend

from listen.errors import OptionError
from listen.report.document import tool_version

ANSWERS_WITHIN_S = 5.0
BROKEN = (KilledWorker, CancelledError, CommClosedError, OSError)
"""What a task ends with where the cluster failed it: what is wrong with a take is a result."""


class _FailedTask:
    """Stands for the result of a task whose worker died."""

    def __init__(self, error: BaseException) -> None:
        self.error = error


class _Backend(DaskDistributedBackend):  # type: ignore[misc]
    """The backend as it is, but for two things.

    It would wait for ever for a task that the cluster gave up, and with one core left it would work in this process.
    """

    def effective_n_jobs(self, n_jobs: int) -> int:
        return max(2, int(super().effective_n_jobs(n_jobs)))

    def submit(self, func: Any, callback: Callable[[Any], Any] | None = None) -> Any:
        future: Future[Any] = super().submit(func, callback)

        def tell(ended: Future[Any]) -> None:
            error = ended.exception()
            if error is not None and callback is not None:
                callback(_FailedTask(error))

        future.add_done_callback(tell)
        return future

    def retrieve_result_callback(self, out: Any) -> Any:
        if isinstance(out, _FailedTask):
            raise out.error
        if isinstance(out, BaseException):  # a cancelled task has its error for a result
            raise out
        return super().retrieve_result_callback(out)


def backend_of(client: Client) -> Any:
    """Return the backend that hands tasks to a cluster."""
    return _Backend(client=client)


@contextlib.contextmanager
def cluster_at(address: str) -> Iterator[Client]:
    """Connect to a cluster's scheduler.

    Parameters
    ----------
    address : str
        ``tcp://HOST:PORT``, ``tls://HOST:PORT`` or ``HOST:PORT``.

    Yields
    ------
    Client

    Raises
    ------
    OptionError
        Nothing answers there within a few seconds, no worker is there, or a worker has another release of this
        package.
    """
    make_client: Any = Client  # its own types are not whole
    for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what they tell, our own line tells
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # other releases of its parts; what matters is compared below
            client: Any = make_client(address, timeout=ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, RuntimeError, TypeError, ImportError) as error:
        raise OptionError(
            f"no cluster answers at {address!r} within {ANSWERS_WITHIN_S:.0f} s",
            "give the address that its scheduler printed, for example tcp://192.168.1.20:8786",
        ) from error
    try:
        _same_release(client, address)
        yield client
    finally:
        with contextlib.suppress(Exception):
            client.close(timeout=ANSWERS_WITHIN_S)


def _same_release(client: Client, address: str) -> None:
    """Refuse workers that would answer otherwise than this process."""
    try:
        found = client.run(tool_version)
    except Exception as error:
        raise OptionError(
            f"the workers of the cluster at {address!r} cannot run listen ({type(error).__name__})",
            "install the same release of it there",
        ) from error
    if not found:
        raise OptionError(f"the cluster at {address!r} has no workers", "start some, then run this again")
    other = sorted(set(found.values()) - {tool_version()})
    if other:
        raise OptionError(
            f"a worker of the cluster at {address!r} has listen {other[0]}, this is {tool_version()}",
            "install the same release everywhere",
        )
