"""Are the stated sigmas true? Errors of every circuit figure over its own sigma, figure by figure.

``python -m tests.circuit.sigmas --seeds 0:40 [--only start,slew]``. Of errors that are normal and whose sigma is right
68 % lie within one sigma and 95 % within two.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterable

import numpy as np

from tests.circuit import sigma_slew, sigma_takes, sigma_waves
from tests.circuit.checking import Figure

FAMILIES = sigma_takes.FAMILIES | sigma_slew.FAMILIES | sigma_waves.FAMILIES

ONE, TWO = (0.60, 0.76), (0.92, 0.98)
"""Shares within one and two sigmas that a true sigma gives over some hundred takes."""


def gathered(seeds: Iterable[int], only: list[str]) -> dict[str, list[tuple[int, Figure]]]:
    found: dict[str, list[tuple[int, Figure]]] = defaultdict(list)
    for family in only:
        for seed in seeds:
            for item in FAMILIES[family](seed):
                found[item.name].append((seed, item))
    return found


def errors_in_sigmas(rows: list[tuple[int, Figure]]) -> np.ndarray:
    return np.array([(f.value - f.truth) / f.sigma for _, f in rows])


def line(name: str, z: np.ndarray, relative: np.ndarray) -> str:
    known = np.isfinite(z)
    if not known.any():
        return f"{name:42} {0:4d} of {len(z):4d}"
    far, off = np.abs(z[known]), np.abs(relative[known])
    # a truth of nought has no relative error
    middle = np.median(off[np.isfinite(off)]) if np.isfinite(off).any() else np.nan
    return (
        f"{name:42} {known.sum():4d} of {len(z):4d}  1 sigma {np.mean(far < 1):4.0%}  2 sigma {np.mean(far < 2):4.0%}"
        f"  r.m.s. {np.sqrt(np.mean(far**2)):5.2f}  worst {far.max():5.1f}  median error {middle:7.2%}"
    )


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:20", metavar="A:B")
    parser.add_argument("--only", default=",".join(FAMILIES))
    parser.add_argument("--far", type=float, default=4.0, help="list takes off by more sigmas than this")
    options = parser.parse_args(words)
    first, last = (int(word) for word in options.seeds.split(":"))
    found = gathered(range(first, last), options.only.split(","))
    pooled = []
    for name, rows in found.items():
        z = errors_in_sigmas(rows)
        pooled.append(z[np.isfinite(z)])
        relative = np.array([f.value / f.truth - 1 if f.truth else np.nan for _, f in rows])
        sys.stdout.write(line(name, z, relative) + "\n")
        for (seed, item), far in zip(rows, z, strict=True):
            if not abs(far) <= options.far:
                sys.stdout.write(f"    {seed}: {item.value:.5g} +- {item.sigma:.2g} for {item.truth:.5g}\n")
    every = np.concatenate(pooled)
    within = [float(np.mean(np.abs(every) < n)) for n in (1, 2)]
    sys.stdout.write(f"{'all':42} {len(every):4d}          1 sigma {within[0]:4.0%}  2 sigma {within[1]:4.0%}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
