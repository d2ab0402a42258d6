"""Kernels to machine code, by numba: functions that allocate and raise nothing, in one relocatable object."""

from __future__ import annotations

import os
import re
import types
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from listen.compiled.entering import entry, entry_of
from listen.compiled.kernels import Kernel, Part, checks_wanted

_SUMS = {"contract", "reassoc", "nsz"}
"""Flags that let a sum be vectorised; those that assume 'no NaN' are left out."""
_DECLARED = re.compile(r"^declare [^@\n]*@\"?([^\"(\s]+)", re.MULTILINE)
_OF_THE_C_LIBRARY = {
    "sin",
    "cos",
    "atan2",
    "sqrt",
    "exp",
    "log",
    "floor",
    "ceil",
    "rint",
    "memset",
    "memcpy",
    "memmove",
}


class NotCarriedError(Exception):
    """Machine code that needs more than the C library cannot be kept: a kernel allocates or raises."""


@dataclass(frozen=True, slots=True)
class Built:
    """Machine code of a few kernels.

    Attributes
    ----------
    symbols : dict of str to str
        Of each kernel by its name, and of the way into it from Python's arrays (`entering`).
    code : bytes
        Relocatable object, as the system's linker knows it.
    """

    symbols: dict[str, str]
    code: bytes


def jitted(step: Part[..., Any]) -> Callable[..., Any]:
    """A function that compiles for the arguments it is called with, every index checked if that is wanted."""
    made: Callable[..., Any] = _Numba(checks=checks_wanted(), carried=False).dispatcher(step)
    return made


def build(kernels: Sequence[Kernel[..., Any]]) -> Built:
    """Compile kernels of one module for this processor.

    Raises
    ------
    NotCarriedError
        One of them allocates or raises, or numba hands out no machine code.
    """
    # its vector mathematics is in a library that a process without numba does not load
    os.environ.setdefault("NUMBA_DISABLE_INTEL_SVML", "1")
    refused = import_module("numba.core.errors").NumbaError
    config: Any = import_module("numba.core.config")
    before = getattr(config, "SLP_VECTORIZE", 0)
    # short loops are unrolled before they could be vectorised: this vectorises what is left of them
    config.SLP_VECTORIZE = 1
    try:
        return _build(kernels)
    # the ways into numba that are taken here are its own affair: another release may have others
    except (refused, AttributeError, ImportError, TypeError) as error:
        raise NotCarriedError(str(error)) from error
    finally:
        config.SLP_VECTORIZE = before


def _build(kernels: Sequence[Kernel[..., Any]]) -> Built:
    llvm = import_module("llvmlite.binding")
    target = import_module("numba.core.registry").cpu_target.target_context

    maker = _Numba(checks=False, carried=True)
    symbols = {}
    whole = llvm.parse_assembly("")
    for one in kernels:
        compiled = maker.compile(one)
        symbol = symbols[one.name] = compiled.fndesc.llvm_func_name
        whole.link_in(compiled.library._final_module.clone())
        whole.link_in(llvm.parse_assembly(entry(symbol, entry_of(one.name), one.signature)))
        symbols[entry_of(one.name)] = entry_of(one.name)
    missing = {name for name in _DECLARED.findall(str(whole)) if not name.startswith("llvm.")} - _OF_THE_C_LIBRARY
    if missing:
        raise NotCarriedError(f"kernels need {', '.join(sorted(missing))}: they must not allocate or raise")
    code: bytes = target.codegen()._tm.emit_object(whole)
    return Built(symbols, code)


class _Numba:
    """Compiles functions whose globals are steps of ours."""

    def __init__(self, checks: bool, carried: bool) -> None:
        self._checks = checks
        self._carried = carried
        self._known: dict[int, Any] = {}

    def dispatcher(self, step: Part[..., Any]) -> Any:
        if id(step) not in self._known:
            njit: Any = import_module("numba").njit
            options = {"nogil": True, "error_model": "numpy", "boundscheck": self._checks, "_nrt": not self._carried}
            fastmath = _SUMS if step.sums else False
            self._known[id(step)] = njit(fastmath=fastmath, **options)(self._standing_alone(step))
        return self._known[id(step)]

    def _standing_alone(self, step: Part[..., Any]) -> Callable[..., Any]:
        """The function with the steps that it calls put in as numba knows them."""
        plain = step.py_func
        names = plain.__code__.co_names
        known = plain.__globals__
        steps = {name: self.dispatcher(known[name]) for name in names if isinstance(known.get(name), Part)}
        alone = types.FunctionType(plain.__code__, {**known, **steps}, plain.__name__, plain.__defaults__)
        alone.__module__ = plain.__module__
        return alone

    def compile(self, one: Kernel[..., Any]) -> Any:
        compiler, registry = import_module("numba.core.compiler"), import_module("numba.core.registry")
        flags = compiler.Flags()
        flags.no_cpython_wrapper = True
        flags.no_cfunc_wrapper = True
        flags.error_model = "numpy"
        flags.nrt = False
        flags.boundscheck = False
        if one.sums:
            flags.fastmath = import_module("numba.core.cpu").FastMathOptions(_SUMS)
        typing, target = registry.cpu_target.typing_context, registry.cpu_target.target_context
        typing.refresh()
        target.refresh()
        takes, gives = import_module("numba.core.sigutils").normalize_signature(one.signature.text)
        return compiler.compile_extra(typing, target, self._standing_alone(one), takes, gives, flags, {})
