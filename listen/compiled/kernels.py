"""The two decorators: ``kernel`` for a loop that Python calls, ``part`` for a step inside one.

Importing a module of kernels imports no compiler. The first call loads the module's machine code from disc; where there
is none, or none for this processor and this source, all kernels of the module are compiled and kept.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from typing import Any, Generic, ParamSpec, TypeVar

from listen.compiled.signatures import Signature, parse

P = ParamSpec("P")
R = TypeVar("R")


class Part(Generic[P, R]):
    """A step inside kernels of the same module. Called from Python it is compiled on the spot: for tests.

    Attributes
    ----------
    py_func : callable
        The plain Python function.
    name : str
    sums : bool
        Sums may be taken in another order, so that several numbers are added at once.
    """

    def __init__(self, function: Callable[P, R], sums: bool) -> None:
        self.py_func = function
        self.name = function.__name__
        self.sums = sums
        functools.update_wrapper(self, function)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run it, compiled for the arguments."""
        result: R = self.compiled_here()(*args, **kwargs)
        return result

    def compiled_here(self) -> Callable[..., Any]:
        """The function compiled in this process, or as it is where nothing shall be compiled."""
        return self._jitted

    @functools.cached_property
    def _jitted(self) -> Callable[..., Any]:
        if plain_wanted():
            return self.py_func
        from listen.compiled.building import jitted

        return jitted(self)


class Kernel(Part[P, R]):
    """A compiled loop: arrays and numbers in, arrays of the caller's filled, perhaps a number given back.

    Attributes
    ----------
    signature : Signature
    brief : bool
        It takes less time than another thread would need to take over, and lets none.
    """

    def __init__(self, function: Callable[P, R], signature: Signature, sums: bool, brief: bool) -> None:
        super().__init__(function, sums)
        self.signature = signature
        self.brief = brief

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run it.

        Raises
        ------
        TypeError
            An argument is of another type than the signature says; arrays must lie in C order.
        """
        result: R = self._loaded(*args, **kwargs)
        return result

    @functools.cached_property
    def _loaded(self) -> Callable[..., Any]:
        if plain_wanted() or checks_wanted():
            return self._jitted
        from listen.compiled.loading import callable_of

        return callable_of(self)


def kernel(signature: str, *, sums: bool = False, brief: bool = False) -> Callable[[Callable[P, R]], Kernel[P, R]]:
    """Make a function a kernel.

    Parameters
    ----------
    signature : str
        As numba writes it: ``void(f8[::1], i8)``; arrays are in C order.
    sums : bool
        Sums may be taken in another order.
    brief : bool
        It takes some ten microseconds: other threads do not run meanwhile.

    Raises
    ------
    ValueError
        The signature cannot be read.
    """
    parsed = parse(signature)

    def decorate(function: Callable[P, R]) -> Kernel[P, R]:
        return Kernel(function, parsed, sums, brief)

    return decorate


def part(*, sums: bool = False) -> Callable[[Callable[P, R]], Part[P, R]]:
    """Make a function a step of kernels in the same module."""

    def decorate(function: Callable[P, R]) -> Part[P, R]:
        return Part(function, sums)

    return decorate


def plain_wanted() -> bool:
    """Whether nothing shall be compiled (``NUMBA_DISABLE_JIT=1``)."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") not in {"", "0"}


def checks_wanted() -> bool:
    """Whether every index shall be checked (``NUMBA_BOUNDSCHECK=1``): such code is not kept."""
    return os.environ.get("NUMBA_BOUNDSCHECK", "0") not in {"", "0"}


def kernels_beside(one: Kernel[..., Any]) -> list[Kernel[..., Any]]:
    """All kernels of a kernel's module, in the order they are written."""
    name = one.py_func.__module__
    found = [value for value in vars(sys.modules[name]).values() if isinstance(value, Kernel)]
    return [value for value in found if value.py_func.__module__ == name]
