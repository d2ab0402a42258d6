"""The command line: each module is one command, or what several share. It computes nothing."""

from listen.cli.interrupts import silent_while_loading

with silent_while_loading():
    from listen.cli.main import build_parser, main

__all__ = ["build_parser", "main"]
