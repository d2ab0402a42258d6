"""Loops compiled once and loaded without the compiler: what is kept, what is trusted, what is refused."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from listen.compiled import keeping, kernel, loading, part
from listen.compiled.building import NotCarriedError, build
from listen.compiled.signatures import parse

REPO = Path(__file__).parents[2]
NO_COMPILER = os.environ.get("NUMBA_DISABLE_JIT", "0") != "0" or os.environ.get("NUMBA_BOUNDSCHECK", "0") != "0"
pytestmark = pytest.mark.skipif(NO_COMPILER, reason="kernels run without being compiled, or with checks")


@part()
def _twice(value: float) -> float:
    return 2.0 * value


@kernel("i8(f8[::1], f4[:, ::1], i8, f8)", sums=True)
def fill(x: np.ndarray, out: np.ndarray, row: int, offset: float) -> int:
    total = 0
    for i in range(x.shape[0]):
        out[row, i] = np.float32(_twice(x[i]) + offset)
        total += 1
    return total


@kernel("i8(i4[::1])")
def least(values: np.ndarray) -> int:
    found = values[0]
    for i in range(values.shape[0]):
        found = min(found, values[i])
    return found


@kernel("void(f8[::1])")
def allocates(x: np.ndarray) -> None:
    y = np.zeros(len(x))
    for i in range(len(x)):
        x[i] = y[i]


def test_a_kernel_fills_its_caller_s_array_and_gives_a_number_back() -> None:
    # the module has a kernel that cannot be kept: these two are built alone
    symbols = build([fill, least]).symbols
    assert set(symbols) == {"fill", "least", "enter_fill", "enter_least"}
    out = np.zeros((2, 3), dtype=np.float32)
    assert fill._jitted(np.arange(3.0), out, 1, 0.5) == 3
    np.testing.assert_array_equal(out, [[0, 0, 0], [0.5, 2.5, 4.5]])


def made(folder: Path, body: str = "out[i] = 2.0 * x[i]") -> Path:
    """A module of one kernel in a folder of its own."""
    path = folder / "own_kernels.py"
    path.write_text(
        "from listen.compiled import kernel\n"
        "@kernel('void(f8[::1], f8[::1])')\n"
        "def scale(x, out):\n"
        "    for i in range(x.shape[0]):\n"
        f"        {body}\n"
    )
    return path


SHOW = """
import sys
sys.path.insert(0, {folder!r})
import numpy as np, own_kernels
out = np.empty(3)
own_kernels.scale(np.arange(3.0), out)
print(out.tolist(), 'numba' in sys.modules)
"""


def run(folder: Path, **environment: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", SHOW.format(folder=str(folder))],
        capture_output=True,
        text=True,
        check=True,
        cwd=REPO,
        env={**os.environ, "XDG_CACHE_HOME": str(folder / "cache"), **environment},
    )
    return done.stdout.strip()


def kept(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.kernels"))


def test_the_second_process_loads_what_the_first_compiled(tmp_path: Path) -> None:
    made(tmp_path)
    assert run(tmp_path) == "[0.0, 2.0, 4.0] True"
    assert run(tmp_path) == "[0.0, 2.0, 4.0] False"
    assert [path.parent.name for path in kept(tmp_path)] == ["__pycache__"]


def test_another_source_is_compiled_anew(tmp_path: Path) -> None:
    made(tmp_path)
    run(tmp_path)
    # longer too: of one length, Python tells two sources apart by the second in which they were written alone
    made(tmp_path, "out[i] = 3.000 * x[i]")
    assert run(tmp_path) == "[0.0, 3.0, 6.0] True"
    assert len(kept(tmp_path)) == 2


@pytest.mark.parametrize("harm", ["cut short", "changed", "another's"])
def test_what_cannot_be_trusted_is_compiled_anew(tmp_path: Path, harm: str) -> None:
    made(tmp_path)
    run(tmp_path)
    (path,) = kept(tmp_path)
    content = path.read_bytes()
    if harm == "cut short":
        path.write_bytes(content[:-100])
    elif harm == "changed":
        path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    else:
        path.chmod(0o666)
    assert run(tmp_path) == "[0.0, 2.0, 4.0] True"
    # it was put right by the way
    assert run(tmp_path) == "[0.0, 2.0, 4.0] False"
    assert not kept(tmp_path)[0].stat().st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def test_where_the_folder_takes_nothing_the_user_s_cache_does(tmp_path: Path) -> None:
    made(tmp_path)
    # a file where the folder would be: refused to the administrator too
    (tmp_path / "__pycache__").write_text("")
    assert run(tmp_path) == "[0.0, 2.0, 4.0] True"
    assert run(tmp_path) == "[0.0, 2.0, 4.0] False"
    assert [path.parent.name for path in kept(tmp_path)] == ["listen"]


def test_where_nothing_takes_it_it_runs_all_the_same(tmp_path: Path) -> None:
    made(tmp_path)
    (tmp_path / "__pycache__").write_text("")
    (tmp_path / "cache").write_text("")
    for _ in range(2):
        assert run(tmp_path) == "[0.0, 2.0, 4.0] True"


def test_two_processes_at_once_leave_one_whole_file(tmp_path: Path) -> None:
    made(tmp_path)
    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(lambda _: run(tmp_path), range(2))) == ["[0.0, 2.0, 4.0] True"] * 2
    assert len(kept(tmp_path)) == 1
    assert not list(tmp_path.rglob(".kernels-*"))
    assert run(tmp_path) == "[0.0, 2.0, 4.0] False"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only the administrator can act as another user")
def test_another_user_s_file_is_not_run_but_the_administrator_s_is(tmp_path: Path) -> None:
    path = tmp_path / "x.kernels"
    shutil.copy(next(iter(REPO.glob("listen/track/__pycache__/kernels-*.kernels"))), path)
    assert keeping._checked(path) is not None
    os.chown(path, 12345, 12345)
    assert keeping._checked(path) is None


def test_the_key_tells_processors_and_sources_apart(tmp_path: Path) -> None:
    path = made(tmp_path)
    key = keeping.key_of(path, "one")
    assert key == keeping.key_of(path, "one")
    assert key != keeping.key_of(path, "other")
    made(tmp_path, "out[i] = x[i]")
    assert key != keeping.key_of(path, "one")


def test_a_kernel_that_allocates_is_refused_when_it_is_built() -> None:
    with pytest.raises(NotCarriedError):
        build([allocates])


def test_a_module_whose_code_cannot_be_kept_runs_as_numba_runs_it() -> None:
    x = np.ones(3)
    allocates(x)
    np.testing.assert_array_equal(x, 0.0)


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ((np.ones(3, dtype=np.float32), np.ones(3)), "argument 1 must be an array of float64 with 1 axes"),
        ((np.ones(3), np.ones((3, 1))), "argument 2 must be an array of float64 with 1 axes"),
        ((np.ones(6)[::2], np.ones(3)), "not one of float64 with 1 axes not in C order"),
        (([1.0], np.ones(3)), "not list"),
        ((np.ones(3),), "takes 2 arguments, not 1"),
    ],
)
def test_a_wrong_argument_is_named(args: tuple[object, ...], said: str) -> None:
    from listen.track import kernels

    call = loading.callable_of(kernels.window_powers)
    with pytest.raises(TypeError, match="argument"):
        call(*args)
    caller = loading._caller("scale", parse("void(f8[::1], f8[::1])"), 0, brief=False)
    with pytest.raises(TypeError, match=said):
        caller(*args)


@pytest.mark.parametrize(
    "text", ["f8[::1]", "void(f8[:])", "c16(f8)", "void(f8,, i8)", "void(b1)", "void(f8", "f8(i8)"]
)
def test_a_signature_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"signature|argument"):
        parse(text)


def test_a_signature_is_read() -> None:
    read = parse("i8(f4[:, :, ::1], i4[::1], i8, f8)")
    assert read.gives
    assert not parse("void(f8)").gives
    assert [(a.dtype.str[1:], a.axes) for a in read.takes] == [("f4", 3), ("i4", 1), ("i8", 0), ("f8", 0)]


def test_a_check_loads_no_compiler() -> None:
    """Neither numba nor scipy, once the kernels are kept; nor what numpy itself loads only when it is asked for."""
    unneeded = (
        "numba",
        "scipy",
        "librosa",
        "matplotlib",
        "pandas",
        "numpy.polynomial",
        "numpy.random",
        "html",
        "asyncio",
    )
    show = (
        "import sys, listen\n"
        "listen.check('fixtures/sine-board-unequal-supplies.wav')\n"
        f"print([name for name in {unneeded} if name in sys.modules])\n"
    )
    for _ in range(2):
        done = subprocess.run([sys.executable, "-c", show], capture_output=True, text=True, check=True, cwd=REPO)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("take", sorted(path.name for path in (REPO / "fixtures").glob("*.wav")))
def test_a_check_loads_no_masked_arrays(take: str) -> None:
    """numpy's median and unique load them; a check has its own (`listen.sorting`). Each take leads elsewhere."""
    show = "import sys, listen\nstr(listen.check(sys.argv[1]))\nprint('numpy.ma' in sys.modules)\n"
    call = [sys.executable, "-c", show, f"fixtures/{take}"]
    done = subprocess.run(call, capture_output=True, text=True, check=True, cwd=REPO)
    assert done.stdout.split() == ["False"]
