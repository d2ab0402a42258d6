"""What the system forbids to an ordinary user, for tests that the administrator runs too."""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest

ANOTHER = 54321


def held_to_permissions() -> list[str]:
    """The words that run a command for which permissions of files count, the administrator's too (capabilities(7))."""
    rights = "-dac_override,-dac_read_search"
    return _if_administrator(["setpriv", "--bounding-set", rights, "--inh-caps", rights])


def as_another_user() -> list[str]:
    """The words that run a command as an ordinary user who may read what the administrator may."""
    right = "+dac_read_search"
    return _if_administrator(
        ["setpriv", f"--reuid={ANOTHER}", "--clear-groups", "--inh-caps", right, "--ambient-caps", right]
    )


def _if_administrator(words: list[str]) -> list[str]:
    if os.getuid() != 0:
        return []
    if shutil.which("setpriv") is None or subprocess.run([*words, "true"], capture_output=True, check=False).returncode:
        pytest.skip("this system's administrator cannot give up its rights")
    return words
