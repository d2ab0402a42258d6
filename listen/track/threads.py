"""How many threads the system will start."""

from __future__ import annotations

import threading


def threads_to_use(wanted: int) -> int:
    """Return as many threads as are wanted, or one where the system starts no more of them.

    Parameters
    ----------
    wanted : int

    Returns
    -------
    int
        Threads have a limit by user and by container, and each takes address space for its stack.
    """
    if wanted < 2:
        return wanted
    done, started = threading.Event(), []
    try:
        for _ in range(wanted + 1):  # one more looks for damage beside those that track
            thread = threading.Thread(target=done.wait, daemon=True)
            thread.start()
            started.append(thread)
    except (RuntimeError, MemoryError):
        return 1
    finally:
        done.set()
        for thread in started:
            thread.join()
    return wanted
