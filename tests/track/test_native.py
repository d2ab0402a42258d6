"""The extension as a whole: every kernel has its stub and its twin, and refuses what would lead it astray."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import Any

import numpy as np
import pytest

from listen.native import kernels
from tests.track.twins import TWINS, stub

KERNELS = sorted(name for name, value in vars(kernels).items() if callable(value) and not name.startswith("_"))


def test_every_kernel_has_a_stub_and_every_stub_a_kernel() -> None:
    assert len(KERNELS) >= 30
    assert sorted(stub()) == KERNELS


@pytest.mark.parametrize("name", KERNELS)
def test_every_kernel_has_a_twin_with_its_arguments(name: str) -> None:
    described = stub()[name]
    names = [argument.arg for argument in described.args.args]
    twin = TWINS[name]
    assert list(twin.__code__.co_varnames[: twin.__code__.co_argcount]) == names
    assert twin.__doc__
    # what nanobind says of the compiled one
    compiled = getattr(kernels, name).__doc__.splitlines()[0]
    assert [part.split(":")[0] for part in _arguments(compiled)] == names


def _arguments(signature: str) -> list[str]:
    """Arguments of a signature as nanobind writes it; brackets hold commas too."""
    inside = signature[signature.index("(") + 1 : signature.rindex(")")]
    parts, depth = [""], 0
    for letter in inside:
        depth += (letter in "[(") - (letter in "])")
        if letter == "," and depth == 0:
            parts.append("")
        else:
            parts[-1] += letter
    return [part.strip() for part in parts]


def read_only(array: np.ndarray) -> np.ndarray:
    array.flags.writeable = False
    return array


TAPS = np.zeros(64, dtype=np.float32)
WRONG_KIND: dict[str, tuple[Any, ...]] = {
    "double where single is meant": (np.zeros(200), TAPS, 2, np.zeros(10, np.float32)),
    "not in C order": (np.zeros(400, np.float32)[::2], TAPS, 2, np.zeros(10, np.float32)),
    "two axes where one is meant": (np.zeros((2, 200), np.float32), TAPS, 2, np.zeros(10, np.float32)),
    "a result that cannot be written": (np.zeros(200, np.float32), TAPS, 2, read_only(np.zeros(10, np.float32))),
    "a list": ([0.0] * 200, TAPS, 2, np.zeros(10, np.float32)),
    "a fraction where a whole number is meant": (np.zeros(200, np.float32), TAPS, 2.5, np.zeros(10, np.float32)),
    "an argument too few": (np.zeros(200, np.float32), TAPS, 2),
}


@pytest.mark.parametrize("kind", list(WRONG_KIND))
def test_an_argument_of_a_wrong_kind_is_refused(kind: str) -> None:
    with pytest.raises(TypeError, match="decimate"):
        kernels.decimate(*WRONG_KIND[kind])


def test_what_is_only_read_may_be_read_only() -> None:
    out = np.full(10, 7.0, dtype=np.float32)
    kernels.decimate(read_only(np.zeros(200, np.float32)), read_only(TAPS.copy()), 2, out)
    assert not out.any()


def test_a_misaligned_array_is_refused() -> None:
    bytes_ = np.zeros(4 * 200 + 1, dtype=np.uint8)
    with pytest.raises(TypeError, match="decimate"):
        kernels.decimate(bytes_[1:].view(np.float32), TAPS, 2, np.zeros(10, np.float32))


def f8(*shape: int) -> np.ndarray:
    return np.zeros(shape)


def f4(*shape: int) -> np.ndarray:
    return np.zeros(shape, dtype=np.float32)


def i8(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


FAR = 2**62
OUTSIDE: list[tuple[str, tuple[Any, ...]]] = [
    ("decimate", (f4(200), TAPS, 2, f4(70))),
    ("decimate", (f4(200), TAPS, FAR, f4(3))),
    ("decimate", (f4(200), TAPS[:60], 2, f4(3))),
    ("decimate_near", (f4(200), TAPS, 2, i8(3), -1, f4(60))),
    ("line_powers", (f4(2, 5, 2), 1.0, f4(2, 6))),
    ("take_windows", (f4(9), i8(1, 2), f8(8), f4(2, 7))),
    ("window_powers", (f8(9), i8(1), -2, f8(1))),
    ("level_windows", (f8(20), 5, f8(8), f8(4, 8), f8(4))),
    ("limit_strays", (f8(9), 5.0, 10, f8(9))),
    ("limit_strays", (f8(9), 5.0, 0, f8(9))),
    ("line_levels", (f8(1, 9, 2), 1.0, i8(9), i8(0, 1), i8(2), i8(0, 1), f8(1), f8(1, 1, 2))),
    ("line_levels", (f8(1, 9, 2), 1.0, i8(3), i8(0, 2), i8(2), i8(0, 1), f8(1), f8(1, 1, 2))),
    ("line_levels", (f8(1, 9, 2), 1.0, i8(3), i8(0, 1), i8(2, 3), i8(0, 2), f8(1), f8(1, 1, 2))),
    ("phase_samples", (f8(1), f8(1), f8(1), 0, f8(4), f8(4))),
    ("phase_samples", (f8(2), f8(2), f8(2), FAR, f8(4), f8(4))),
    ("short_frames", (f8(2), f8(2), f8(2), 0, f8(9), f8(3), f8(3), f8(2, 4))),
    ("settle_knots", (f8(2, 3), f8(2, 4), 1.0, f8(11), 0.1, f8(7, 2))),
    ("curve_points", (f8(3), f8(3), f8(2), f8(5), f8(2, 5))),
    ("torn_places", (f8(30), 8, 4, 0.1, 8.0, f8(3, 30), f8(3, 7), np.zeros(7, np.int64))),
    ("lay_frames", (f8(0), f8(0), f8(0), f8(1), f8(1), f8(1), f8(1), 0.1, 0.0, 1.0, f8(3, 1))),
    ("turn_table", (9, f8(8), f8(9))),
    ("sum_cycles", (f4(99), f8(99), 0, 8, 64, i8(15), i8(4), f8(2, 32), f8(1, 64), f8(1, 64), f8(1, 2))),
    ("sum_cycles", (f4(99), f8(99), 0, 8, 64, i8(84), i8(4), f8(2, 32), f8(1, 64), f8(1, 64), f8(1, 2))),
    ("sum_cycles", (f4(99), f8(99), 0, 8, 64, i8(50), i8(FAR), f8(2, 32), f8(1, 64), f8(1, 64), f8(1, 2))),
    ("leave", (f4(99), 0, i8(3, 9), f4(1, 8), f8(2), f4(99))),
    ("interharmonic_lines", (f4(99), 8, 4, i8(15), i8(9), i8(2), 5, f8(1, 7), f4(1, 6))),
    ("interharmonic_lines", (f4(99), 8, 4, i8(50), i8(9), i8(2), 5, f8(1, 7), f4(1, 5))),
    ("interharmonic_lines", (f4(99), 7, 2, i8(50), i8(9), i8(2), 5, f8(1, 7), f4(1, 6))),
    ("residual_histogram", (f4(99), 0, 8, 60, i8(0, 99), f8(1), 16, f4(2, 64), f4(1, 2, 16))),
    ("gather_blocks", (f4(99), f8(98), 0, 99, 0.0, 8, f8(4, 2))),
    ("line_pitches", (f8(2, 1, 5, 2), f8(1), i8(3), i8(4), 0.1, f8(1, 6, 2), f8(1, 3), i8(0), f8(1, 2), i8(0, 0, 0))),
    ("loud_orders", (f8(2, 5, 2), i8(4), f8(2), i8(0, 0))),
    ("high_orders", (f8(1, 5, 2), i8(4), -1, f8(1, 2))),
    ("cycle_shapes", (f8(2, 5, 2), i8(2), i8(5, 5), f8(2), 0.2, 64, f8(1, 8))),
    ("cycle_shapes", (f8(2, 5, 2), i8(1), i8(5, 5), f8(2), 0.2, 62, f8(1, 8))),
    ("spectra_single", (f4(2, 14), f4(2, 8, 2))),
    ("spectra_double", (f8(2, 9), f8(2, 5, 2))),
    ("rows_single", (f4(2, 8, 2), 1.0, f4(2, 16))),
    ("staged_lines", (f8(3, 14), f8(1, 18), True, False, False, False, False, f8(3, 20))),
    ("staged_lines", (f8(3, 15), f8(1, 16), True, False, False, False, False, f8(3, 20))),
    ("staged_lines", (f8(3, 15), f8(0, 18), True, False, False, True, False, f8(3, 20))),
    ("staged_lines", (f8(3, 15), f8(1, 18), True, False, False, False, False, f8(2, 20))),
    ("staged_lines", (f8(3, 15), f8(1, 18), True, False, False, False, False, f8(3, 19))),
]


@pytest.mark.parametrize(("name", "args"), OUTSIDE, ids=[name for name, _ in OUTSIDE])
def test_a_call_that_would_lead_outside_of_an_array_is_refused(name: str, args: tuple[Any, ...]) -> None:
    with pytest.raises(ValueError, match=r"^(\w+): "):
        getattr(kernels, name)(*args)


def test_a_call_with_many_arguments_takes_some_microseconds() -> None:
    """About five on an idle machine; twenty times that would show over a take."""
    import timeit

    args = (f4(99), f8(99), 0, 8, 64, i8(50), i8(4), f8(2, 32), f8(1, 64), f8(1, 64), f8(1, 2))
    assert min(timeit.repeat(lambda: kernels.sum_cycles(*args), number=200, repeat=5)) / 200 < 1e-4


@pytest.mark.skipif(not kernels.LEVEL.startswith("x86"), reason="one level only")
@pytest.mark.parametrize("level", ["x86-64-v2", "x86-64-v3", "x86-64-v4"])
def test_every_level_of_this_processor_passes_the_kernel_tests(level: str) -> None:
    """In a process of its own, for it is chosen when the extension is loaded."""
    environment = os.environ | {"LISTEN_KERNELS": level}
    asked = "from listen.native import kernels; print(kernels.LEVEL)"
    found = subprocess.run([sys.executable, "-c", asked], env=environment, capture_output=True, text=True, check=True)
    if found.stdout.strip() != level:
        pytest.skip(f"this processor has no {level}")
    if level == kernels.LEVEL:
        return
    tests = [
        f"tests/track/test_{name}_kernels.py"
        for name in ("signal", "hum", "phase", "knot", "frame", "grid", "line", "stage")
    ]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:]
