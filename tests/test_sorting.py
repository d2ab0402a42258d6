"""Medians, quantiles and distinct values are numpy's own, to the last bit.

But for a quantile between two infinite values alike: numpy's own is NaN there, ours is that value.
"""

from __future__ import annotations

import re
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest

from listen.sorting import distinct, median, median_of_known, medians, quantile, quantile_of_known

REPO = Path(__file__).resolve().parents[1]


def rows() -> list[np.ndarray]:
    """Even and odd lengths, ties, both infinities, NaN in some, all NaN, whole numbers, single precision."""
    rng = np.random.default_rng(17)
    made: list[np.ndarray] = [np.array([np.nan, np.nan]), np.array([0.0, -0.0]), np.array([np.inf, -np.inf, 1.0])]
    for n in (1, 2, 3, 4, 5, 8, 101, 1000):
        x = rng.normal(size=n)
        made += [x, np.round(x, 1), x.astype(np.float32), rng.integers(-5, 40, n)]
        made += [np.where(rng.random(n) < 0.3, np.nan, x), np.where(rng.random(n) < 0.2, np.inf, x)]
    return made


def numpy_quantile(x: np.ndarray, share: float) -> float:
    if not len(x):
        return float("nan")
    below, above = (float(np.quantile(x, share, method=way)) for way in ("lower", "higher"))
    return below if below == above else float(np.quantile(x, share))


@pytest.mark.parametrize("x", rows(), ids=lambda x: f"{x.dtype}-{len(x)}")
def test_numpy_says_the_same(x: np.ndarray) -> None:
    # numpy 2.1 draws the line between two values in single precision, later ones in double
    rounding = 2.0 * float(np.finfo(np.float32).eps) if x.dtype == np.float32 else 0.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numpy's, of a row of NaN alone
        np.testing.assert_array_equal(median(x), float(np.median(x)))
        np.testing.assert_array_equal(median_of_known(x), float(np.nanmedian(x)))
        for share in (0.0, 0.005, 0.25, 0.5, 0.9, 0.98, 0.995, 1.0):
            np.testing.assert_allclose(quantile(x, share), numpy_quantile(x, share), rtol=rounding, atol=rounding)
            known = numpy_quantile(x[~np.isnan(x)], share)
            np.testing.assert_allclose(quantile_of_known(x, share), known, rtol=rounding, atol=rounding)
    found = distinct(x)
    assert found.dtype == x.dtype
    np.testing.assert_array_equal(found, np.unique(x))


@pytest.mark.parametrize("shape", [(1, 1), (3, 4), (4, 3), (7, 2), (2, 7)])
@pytest.mark.parametrize("axis", [0, 1])
def test_medians_along_an_axis(shape: tuple[int, int], axis: int) -> None:
    x = np.random.default_rng(5).normal(size=shape)
    np.testing.assert_array_equal(medians(x, axis), np.median(x, axis=axis))
    x[0, 0] = np.nan
    np.testing.assert_array_equal(medians(x, axis), np.median(x, axis=axis))


def test_of_nothing_there_is_none() -> None:
    nothing = np.array([])
    assert np.isnan(median(nothing))
    assert np.isnan(median_of_known(nothing))
    assert np.isnan(quantile(nothing, 0.5))
    assert np.isnan(quantile_of_known(nothing, 0.5))
    assert len(distinct(nothing)) == 0


def test_what_is_given_stays_as_it_was() -> None:
    x = np.array([3.0, 1.0, 2.0])
    median(x), median_of_known(x), medians(x[None], 1), quantile(x, 0.3), distinct(x)
    assert x.tolist() == [3.0, 1.0, 2.0]


def test_no_masked_arrays_are_loaded() -> None:
    code = (
        "import sys, numpy as np\nfrom listen.sorting import distinct, median, medians, quantile\n"
        "x = np.array([1.0, np.nan, 2.0, 3.0])\n"
        "median(x), median(x[2:]), medians(x[None], 1), quantile(x, 0.3), distinct(x)\n"
        "sys.exit('numpy.ma' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], cwd=REPO, check=True)


@pytest.mark.parametrize("room", ["capture", "findings"])
def test_rooms_of_a_check_use_them(room: str) -> None:
    """Also where no take of the tests leads."""
    numpys = re.compile(
        r"np\.(nan)?(median|quantile|percentile)\(|np\.polynomial\b|np\.unique\((?!.{0,150}return_)", re.DOTALL
    )
    for path in (REPO / "listen" / room).glob("*.py"):
        assert not numpys.search(path.read_text(encoding="utf-8")), path.name
