"""Peak memory of a check against length, rate and channels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench_children import LISTEN, ran
from bench_takes import write_sweep
from bench_words import markdown, number, table

RATES_HZ = (44100, 48000, 96000, 192000)
CHANNELS = (1, 2, 8)
LENGTHS_S = (10, 60, 600, 3600, 4 * 3600, 8 * 3600)
QUICK_S = 60
HEAD = ("take", "rate", "channels", "peak memory", "time", "of its length", "file")
UNITS = ("", " kHz", "", " MB", " s", " %", " MB")


def lengths(longest_s: float) -> list[int]:
    """The lengths up to the longest asked for, which takes part itself."""
    return sorted({*(s for s in LENGTHS_S if s < longest_s), int(longest_s)})


def worded(seconds: float) -> str:
    """A length as people say it."""
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size and seconds % size == 0 and (unit == "h" or seconds >= 120):
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"


def measure(longest_s: float, folder: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """One check each; the file is made for it and removed."""
    cases = [(seconds, 48000, 1) for seconds in lengths(longest_s)]
    cases += [(QUICK_S, rate, 1) for rate in RATES_HZ if rate != 48000]
    cases += [(QUICK_S, 48000, channels) for channels in CHANNELS if channels != 1]
    cases.append((QUICK_S, 192000, 8))
    rows = []
    for seconds, rate, channels in cases:
        say(f"memory: {worded(seconds)}, {rate / 1000:g} kHz, {channels} channel{'s' if channels > 1 else ''}")
        path = folder / "memory.wav"
        write_sweep(path, seconds, rate_hz=rate, channels=channels)
        size_mb = path.stat().st_size / 1e6
        one = ran([LISTEN, "check", "--wave", "any", "--quiet", str(path)], fine=(0, 1))
        path.unlink()
        row = {"seconds": seconds, "rate_hz": rate, "channels": channels, "file_mb": size_mb}
        rows.append(row | {"peak_mb": one.peak_mb, "wall_s": one.wall_s, "cpu_s": one.cpu_s})
    return {"rows": rows, "growth_mb_per_hour": growth(rows)}


def growth(rows: list[dict[str, float]]) -> float | None:
    """Megabytes that each further hour takes, between the two longest takes of one kind that are a minute or more."""
    own = sorted((r["seconds"], r["peak_mb"]) for r in rows if r["rate_hz"] == 48000 and r["channels"] == 1)
    own = [one for one in own if one[0] >= 60]
    if len(own) < 2:
        return None
    (a, low), (b, high) = own[-2:]
    return (high - low) / (b - a) * 3600.0


def _cells(found: dict[str, Any]) -> list[list[str | float | None]]:
    return [
        [worded(r["seconds"]), f"{r['rate_hz'] / 1000:g} kHz", f"{r['channels']:.0f}", r["peak_mb"], r["wall_s"],
         100.0 * r["wall_s"] / r["seconds"], r["file_mb"]]
        for r in found["rows"]
    ]  # fmt: skip


def lines(found: dict[str, Any]) -> list[str]:
    """The section as it is printed."""
    grows = found["growth_mb_per_hour"]
    return [
        *table(HEAD, _cells(found), units=UNITS),
        *([f"Each further hour takes {number(grows)} MB (between the two longest)."] if grows is not None else []),
    ]


def readme(found: dict[str, Any]) -> list[str]:
    """The section as a table of the README."""
    return markdown(HEAD[:6], [row[:6] for row in _cells(found)], units=UNITS[:6])
