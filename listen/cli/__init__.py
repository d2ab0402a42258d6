"""The command line: each module is one command, or what several share. It computes nothing."""

from listen.cli.main import main

__all__ = ["main"]
