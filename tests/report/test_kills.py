"""A kill leaves no half-written file, under no name (a short form of ``python -m tests.report.kills``)."""

from __future__ import annotations

import os

import pytest

from tests.report.kills import kill_writers


@pytest.mark.skipif(not hasattr(os, "O_TMPFILE"), reason="only here can a file stay without a name until it is whole")
def test_a_kill_at_any_moment_leaves_the_old_file_or_the_new_one() -> None:
    assert kill_writers(12, seed=7) == []
