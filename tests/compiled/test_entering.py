"""The direct way into kernels takes exactly what they are compiled for; all else goes the careful way, undone."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from listen.compiled import entering, loading
from listen.compiled.signatures import parse
from listen.track import kernels, shape_kernels

NO_COMPILER = os.environ.get("NUMBA_DISABLE_JIT", "0") != "0" or os.environ.get("NUMBA_BOUNDSCHECK", "0") != "0"
pytestmark = [
    pytest.mark.skipif(NO_COMPILER, reason="kernels run without being compiled, or with checks"),
    pytest.mark.skipif(not entering.layout_holds(), reason="arrays of this Python lie otherwise"),
]


def direct(kernel: Any) -> Any:
    """The direct way alone: the careful one only says that it was taken."""
    loading.callable_of(kernel)
    address = loading._modules[kernel.py_func.__module__][entering.entry_of(kernel.name)]
    return loading._direct(kernel.signature, address, True, lambda *_: "careful")


AMPLITUDE = np.random.default_rng(1).standard_normal((3, 20, 2))
LIMITS = np.array([20, 15, 18])


def test_every_kept_kernel_has_its_entry() -> None:
    loading.callable_of(kernels.window_powers)
    found = loading._modules[kernels.__name__]
    names = [name for name in found if not name.startswith("enter_")]
    assert names
    assert {entering.entry_of(name) for name in names} == set(found) - set(names)


def test_the_direct_way_fills_what_the_careful_one_does() -> None:
    out = np.full((3, 2), 7.0)
    assert direct(shape_kernels.high_orders)(AMPLITUDE, LIMITS, 11, out) is None
    wanted = np.full((3, 2), 7.0)
    found = loading._modules[shape_kernels.__name__]["high_orders"]
    loading._caller("high_orders", shape_kernels.high_orders.signature, found, True)(AMPLITUDE, LIMITS, 11, wanted)
    np.testing.assert_array_equal(out, wanted)
    assert np.isfinite(out).all()


def test_a_number_of_numpy_s_serves_too() -> None:
    out, plain = np.empty((3, 2)), np.empty((3, 2))
    direct(shape_kernels.high_orders)(AMPLITUDE, LIMITS, np.int64(11), out)
    shape_kernels.high_orders(AMPLITUDE, LIMITS, 11, plain)
    np.testing.assert_array_equal(out, plain)


def test_an_array_of_no_rows_serves_too() -> None:
    assert direct(shape_kernels.high_orders)(AMPLITUDE[:0], LIMITS[:0], 11, np.empty((0, 2))) is None


class _Own(np.ndarray):
    pass


@pytest.mark.parametrize(
    "given",
    [
        AMPLITUDE[:, ::-1],
        AMPLITUDE.T,
        AMPLITUDE.astype(np.float32),
        AMPLITUDE.astype(">f8"),
        AMPLITUDE.view(np.int64),
        AMPLITUDE[0],
        AMPLITUDE[None],
        AMPLITUDE.view(_Own),
        np.frombuffer(b"\0" + AMPLITUDE.tobytes(), dtype=np.uint8)[1:].view(np.float64).reshape(AMPLITUDE.shape),
        AMPLITUDE.tolist(),
        1.0,
        None,
        "amplitude",
        object(),
        np.ndarray,
        np.float64(3.0),
        AMPLITUDE.data,
    ],
    ids=lambda given: type(given).__name__ + str(getattr(given, "dtype", "")) + str(getattr(given, "shape", "")),
)
def test_any_other_argument_goes_the_careful_way_and_nothing_is_done(given: Any) -> None:
    out = np.full((3, 2), 7.0)
    assert direct(shape_kernels.high_orders)(given, LIMITS, 11, out) == "careful"
    np.testing.assert_array_equal(out, 7.0)


@pytest.mark.parametrize("args", [(AMPLITUDE, LIMITS, 11), (AMPLITUDE, LIMITS, 11, np.empty((3, 2)), 5), ()])
def test_another_number_of_arguments_goes_the_careful_way(args: tuple[Any, ...]) -> None:
    assert direct(shape_kernels.high_orders)(*args) == "careful"


@pytest.mark.parametrize("first", ["eleven", None, 11.5, np.empty(1)])
def test_a_number_that_is_none_goes_the_careful_way(first: Any) -> None:
    assert direct(shape_kernels.high_orders)(AMPLITUDE, LIMITS, first, np.empty((3, 2))) == "careful"


def test_a_file_in_memory_goes_the_careful_way_to_the_same_numbers(tmp_path: Path) -> None:
    held = np.memmap(tmp_path / "held", dtype=np.float64, mode="w+", shape=AMPLITUDE.shape)
    held[:] = AMPLITUDE
    out, plain = np.empty((3, 2)), np.empty((3, 2))
    shape_kernels.high_orders(held, LIMITS, 11, out)
    shape_kernels.high_orders(AMPLITUDE, LIMITS, 11, plain)
    np.testing.assert_array_equal(out, plain)


def test_where_arrays_lie_otherwise_every_call_goes_the_careful_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loading, "layout_holds", lambda: False)
    call = loading.callable_of(shape_kernels.high_orders)
    assert call.__qualname__.startswith("_caller")
    monkeypatch.undo()
    assert loading.callable_of(shape_kernels.high_orders).__qualname__.startswith("_direct")


@pytest.mark.parametrize("name", ["_TYPE", "_DATA", "_AXES", "_LENGTHS", "_STRIDES", "_DTYPE", "_FLAGS", "_NUMBER"])
def test_a_layout_read_at_another_place_does_not_hold(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    # another member is read in its place: pointers and numbers that lie within the array or its type
    monkeypatch.setattr(entering, name, {"_DTYPE": 16, "_NUMBER": 24, "_LENGTHS": 40, "_STRIDES": 32}.get(name, 56))
    assert not entering.layout_holds()


def test_a_layout_of_other_words_does_not_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "sizeof", lambda _: 4)
    assert not entering.layout_holds()


def test_the_entry_is_written_for_what_the_kernel_takes() -> None:
    text = entering.entry("a_kernel", "enter_it", parse("i8(f4[:, ::1], i8, f8)"))
    assert "a_kernel" in text
    assert "enter_it" in text
