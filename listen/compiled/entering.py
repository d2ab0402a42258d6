"""The way from Python's arrays into a kernel: machine code that reads an array's place and lengths where they lie.

An array of numpy is a structure whose first members are fixed (numpy's C-API, "Python types and C-structures",
PyArrayObject): data, axes, lengths, strides, owner, type, flags. Asked through ctypes, each array would cost a
microsecond or more; a tracker makes hundreds of calls with some ten arrays each, in which no other thread runs. Nothing
here is taken for granted: ``layout_holds`` looks whether this Python's arrays are built so, and an argument that is not
just what the kernel takes is refused, which leads to the careful way (`loading`).
"""

from __future__ import annotations

import ctypes
import sys
from typing import Any

import numpy as np

from listen.compiled.signatures import Argument, Signature

_TYPE, _DATA, _AXES, _LENGTHS, _STRIDES, _DTYPE, _FLAGS = 8, 16, 24, 32, 40, 56, 64
"""Bytes from the array's beginning; the first is Python's own."""
_ORDER, _NUMBER = 26, 28
"""Bytes from the type's: its order of bytes, its number."""
_ORDERLY = 0x101
"""C order, and aligned."""
_NATIVE = ord("=")
REFUSED = -(2**63)
"""Given back where an argument is not just as the kernel takes it, and nothing was done."""


def layout_holds() -> bool:
    """Whether the arrays of this Python lie in memory as they are read here."""
    if sys.implementation.name != "cpython" or ctypes.sizeof(ctypes.c_void_p) != 8:
        return False
    probe = np.zeros((2, 3), dtype=np.float32)
    at, dtype_at = id(probe), id(probe.dtype)
    return (
        _read(ctypes.c_uint64, at + _TYPE) == id(np.ndarray)
        and _read(ctypes.c_uint64, at + _DATA) == probe.ctypes.data
        and _read(ctypes.c_int32, at + _AXES) == 2
        and [_read(ctypes.c_int64, _read(ctypes.c_uint64, at + _LENGTHS) + 8 * k) for k in range(2)] == [2, 3]
        and [_read(ctypes.c_int64, _read(ctypes.c_uint64, at + _STRIDES) + 8 * k) for k in range(2)] == [12, 4]
        and _read(ctypes.c_uint64, at + _DTYPE) == dtype_at
        and _read(ctypes.c_int32, at + _FLAGS) & _ORDERLY == _ORDERLY
        and _read(ctypes.c_int32, id(probe.T) + _FLAGS) & _ORDERLY == 0x100
        and _read(ctypes.c_uint8, dtype_at + _ORDER) == _NATIVE
        and _read(ctypes.c_int32, dtype_at + _NUMBER) == probe.dtype.num
    )


def _read(kind: Any, address: int) -> int:
    return int(kind.from_address(address).value)


def entry_of(name: str) -> str:
    """Symbol of the entry to a kernel."""
    return f"enter_{name}"


def entry(kernel: str, name: str, signature: Signature) -> str:
    """Write the entry to a kernel in LLVM's language.

    Parameters
    ----------
    kernel : str
        Symbol of the kernel, in numba's calling convention.
    name : str
        Symbol of the entry: a function of numpy's array type and of the kernel's arguments, arrays as objects of
        Python, that gives back what the kernel gives, 0, or ``REFUSED``.
    signature : Signature
    """
    from llvmlite import ir  # type: ignore[import-untyped]

    whole, narrow, byte, real = ir.IntType(64), ir.IntType(32), ir.IntType(8), ir.DoubleType()
    somewhere = byte.as_pointer()
    module = ir.Module()
    takes = [whole if a.axes or a.dtype.kind == "i" else real for a in signature.takes]
    function = ir.Function(module, ir.FunctionType(whole, [whole, *takes]), name)
    array_type, *given = function.args
    refused = ir.Block(function, name="refused")
    build = ir.IRBuilder(function.append_basic_block())

    def read(kind: Any, base: Any, offset: int) -> Any:
        at = build.inttoptr(build.add(base, ir.Constant(whole, offset)), kind.as_pointer())
        return build.load(at, typ=kind)

    def only_if(holds: Any) -> None:
        following = function.append_basic_block()
        build.cbranch(holds, following, refused)
        build.position_at_end(following)

    def unpacked(argument: Argument, array: Any) -> list[tuple[Any, Any]]:
        only_if(build.icmp_unsigned("==", read(whole, array, _TYPE), array_type))
        dtype = read(whole, array, _DTYPE)
        flags = build.and_(read(narrow, array, _FLAGS), ir.Constant(narrow, _ORDERLY))
        found = [
            build.icmp_unsigned("==", read(narrow, array, _AXES), ir.Constant(narrow, argument.axes)),
            build.icmp_unsigned("==", flags, ir.Constant(narrow, _ORDERLY)),
            build.icmp_unsigned("==", read(byte, dtype, _ORDER), ir.Constant(byte, _NATIVE)),
            build.icmp_unsigned("==", read(narrow, dtype, _NUMBER), ir.Constant(narrow, argument.dtype.num)),
        ]
        only_if(build.and_(build.and_(found[0], found[1]), build.and_(found[2], found[3])))
        lengths, strides = read(whole, array, _LENGTHS), read(whole, array, _STRIDES)
        lengths = [read(whole, lengths, 8 * k) for k in range(argument.axes)]
        strides = [read(whole, strides, 8 * k) for k in range(argument.axes)]
        items = lengths[0]
        for length in lengths[1:]:
            items = build.mul(items, length)
        none = ir.Constant(whole, 0)
        size = ir.Constant(whole, argument.dtype.itemsize)
        data = read(whole, array, _DATA)
        pointers = [(somewhere, build.inttoptr(value, somewhere)) for value in (none, none, data)]
        numbers = [(whole, value) for value in (items, size, *lengths, *strides)]
        return [*pointers[:2], *numbers[:2], pointers[2], *numbers[2:]]

    values: list[tuple[Any, Any]] = []
    for argument, kind, value in zip(signature.takes, takes, given, strict=True):
        values += unpacked(argument, value) if argument.axes else [(kind, value)]
    result, error = build.alloca(whole), build.alloca(somewhere)
    build.store(ir.Constant(whole, 0), result)
    values = [(somewhere, build.bitcast(place, somewhere)) for place in (result, error)] + values
    called = ir.Function(module, ir.FunctionType(narrow, [kind for kind, _ in values]), kernel)
    status = build.call(called, [value for _, value in values])
    only_if(build.icmp_unsigned("==", status, ir.Constant(narrow, 0)))
    build.ret(build.load(result, typ=whole))
    function.blocks.append(refused)
    build.position_at_end(refused)
    build.ret(ir.Constant(whole, REFUSED))
    return str(module)
