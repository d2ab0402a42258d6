"""Machine code to functions that Python calls: LLVM's loader, and numba's calling convention by ctypes.

The convention (numba's documentation, "Notes on Numba's architecture"; from its source): int32 f(result *, error **,
arguments), an array being (owner, parent, items, bytes an item, data, lengths, strides).
"""

from __future__ import annotations

import ctypes
import operator
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from listen.compiled import keeping
from listen.compiled.entering import REFUSED, entry_of, layout_holds
from listen.compiled.kernels import Kernel, kernels_beside
from listen.compiled.signatures import Argument, Signature

_lock = threading.Lock()
_modules: dict[str, dict[str, int]] = {}
_engines: list[Any] = []
"""Own the code: it lives as long as they do."""


def callable_of(one: Kernel[..., Any]) -> Callable[..., Any]:
    """The kernel's function, its module's code loaded, or compiled and kept where there was none.

    Where the code cannot be carried from one process to another, it is numba's own function: compiled in every process.
    """
    name = one.py_func.__module__
    with _lock:
        if name not in _modules:
            _modules[name] = _loaded(one)
        address = _modules[name].get(one.name)
        if address is None:
            return one.compiled_here()
        careful = _caller(one.name, one.signature, address, one.brief)
        direct = _modules[name].get(entry_of(one.name))
        return careful if direct is None or not layout_holds() else _direct(one.signature, direct, one.brief, careful)


def _loaded(one: Kernel[..., Any]) -> dict[str, int]:
    import llvmlite  # type: ignore[import-untyped]
    import llvmlite.binding as llvm  # type: ignore[import-untyped]

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    source = Path(one.py_func.__code__.co_filename)
    processor = f"{sys.platform} {llvmlite.__version__} {llvm.get_host_cpu_name()} "
    processor += llvm.get_host_cpu_features().flatten()
    try:
        key = keeping.key_of(source, processor)
    except OSError:
        key = ""
    found = keeping.read(source, key) if key else None
    if found is None:
        from listen.compiled.building import NotCarriedError, build

        try:
            built = build(kernels_beside(one))
        except NotCarriedError:
            return {}
        if key:
            keeping.write(source, key, built.symbols, built.code)
        found = built.symbols, built.code
    symbols, code = found
    machine = llvm.Target.from_default_triple().create_target_machine()
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    _engines.append(engine)
    return {name: int(engine.get_function_address(symbol)) for name, symbol in symbols.items()}


def _caller(name: str, signature: Signature, address: int, brief: bool) -> Callable[..., Any]:
    types: list[Any] = [ctypes.c_void_p, ctypes.c_void_p]
    for argument in signature.takes:
        types.extend(_types_of(argument))
    # the former keeps the interpreter, the latter lets other threads run meanwhile
    kind = ctypes.PYFUNCTYPE if brief else ctypes.CFUNCTYPE
    function = kind(ctypes.c_int32, *types)(address)
    takes = signature.takes

    def call(*args: Any) -> Any:
        if len(args) != len(takes):
            raise TypeError(f"{name} takes {len(takes)} arguments, not {len(args)}")
        error = ctypes.c_void_p()
        result = ctypes.c_int64()
        values: list[Any] = [ctypes.addressof(result), ctypes.addressof(error)]
        for place, (argument, value) in enumerate(zip(takes, args, strict=True)):
            if argument.axes:
                if not (
                    isinstance(value, np.ndarray)
                    and value.dtype == argument.dtype
                    and value.ndim == argument.axes
                    and value.flags.c_contiguous
                ):
                    wanted, got = _wanted(argument), _described(value)
                    raise TypeError(f"{name}: argument {place + 1} must be {wanted}, not {got}")
                values += (None, None, value.size, value.itemsize, value.ctypes.data, *value.shape, *value.strides)
            else:
                values.append(operator.index(value) if argument.dtype.kind == "i" else float(value))
        if function(*values) != 0:
            raise RuntimeError(f"{name} failed")
        return result.value if signature.gives else None

    return call


def _direct(signature: Signature, address: int, brief: bool, careful: Callable[..., Any]) -> Callable[..., Any]:
    """The kernel by its entry; what that refuses goes the careful way."""
    kinds = {"i": ctypes.c_int64, "f": ctypes.c_double}
    types: list[Any] = [ctypes.py_object if one.axes else kinds[one.dtype.kind] for one in signature.takes]
    kind = ctypes.PYFUNCTYPE if brief else ctypes.CFUNCTYPE
    function = kind(ctypes.c_int64, ctypes.py_object, *types)(address)
    count, gives = len(types), signature.gives
    array_type = np.ndarray

    def call(*args: Any) -> Any:
        if len(args) == count:
            try:
                result = function(array_type, *args)
            except ctypes.ArgumentError:
                result = REFUSED
            if result != REFUSED:
                return result if gives else None
        return careful(*args)

    return call


def _types_of(argument: Argument) -> list[Any]:
    if argument.axes:
        return [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_ssize_t, ctypes.c_ssize_t, ctypes.c_void_p] + [
            ctypes.c_ssize_t
        ] * (2 * argument.axes)
    return [ctypes.c_int64 if argument.dtype.kind == "i" else ctypes.c_double]


def _wanted(argument: Argument) -> str:
    return f"an array of {argument.dtype} with {argument.axes} axes in C order"


def _described(value: Any) -> str:
    if not isinstance(value, np.ndarray):
        return type(value).__name__
    order = "in C order" if value.flags.c_contiguous else "not in C order"
    return f"one of {value.dtype} with {value.ndim} axes {order}"
