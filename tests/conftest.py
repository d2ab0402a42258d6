"""Settings for all tests: generated examples are the same in every run, no busy machine fails them, none waits long."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("house", derandomize=True, deadline=None, print_blob=True)
settings.load_profile("house")

SPLIT = (
    "tests/account/test_accounts_add_up.py",
    "tests/account/test_figures_stay.py",
    "tests/account/test_neighbours_stay.py",
)
"""Files of long tests, each of a take of its own: they go one by one to whichever process is free."""


def scope_of(nodeid: str) -> str:
    """What is run by one process: a file, whose tests share what they make, or one test of those that share nothing."""
    path = nodeid.split("::", 1)[0]
    return nodeid if path in SPLIT else path


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """As ``--dist loadfile``, which begins with the scopes of most tests: single ones then fill the end evenly."""
    if config.getoption("dist") != "loadfile":
        return None
    from xdist.scheduler import LoadFileScheduling

    class Scheduling(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return scope_of(nodeid)

    return Scheduling(config, log)
