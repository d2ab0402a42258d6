"""Loops compiled once, kept on disc, and loaded without the compiler."""

from listen.compiled.kernels import Kernel, Part, kernel, part

__all__ = ["Kernel", "Part", "kernel", "part"]
