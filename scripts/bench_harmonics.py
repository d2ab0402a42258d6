"""H2 and H3 of clipped takes whose harmonics are known: ours, and a script of pitch and harmonic interpolation."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import librosa
import numpy as np
from bench_peers import bounds, window_samples
from bench_takes import EDGE_S, RATE_HZ, Floats, Memory, Take, clipped_takes
from bench_words import losses, markdown, table, wrapped

from listen.track import track

OURS = "listen"
PEER = "librosa.yin + f0_harmonics"
HEAD = ("", "H2 median", "95 %", "worst take", "H3 median", "95 %", "worst take")
UNITS = ("", *([" dB"] * 6))
WORDS = {
    f"{line}_{key}": (f"less exact ({line.upper()}, {text}) than", " dB")
    for line in ("h2", "h3")
    for key, text in (("median", "median"), ("p95", "95 %"), ("worst", "median of the worst take"))
}


def ours(take: Take) -> tuple[Floats, Floats]:
    """Times, and H2 and H3 to the fundamental in dB."""
    frames = track(Memory(take.samples))
    return frames.time_s, np.where(frames.oscillating[:, None], frames.harmonics_dbc[:, :2], np.nan)


def script(take: Take) -> tuple[Floats, Floats]:
    """The usual script: pitch by yin, magnitudes at its multiples, between the bins of a long window."""
    low, high = bounds(take)
    size = window_samples(take, 8.0, 4096)
    hop = 960
    f0 = librosa.yin(
        take.samples, fmin=low, fmax=high, sr=RATE_HZ, frame_length=window_samples(take, 4.4), hop_length=hop
    )
    power = np.abs(librosa.stft(take.samples, n_fft=size, hop_length=hop))
    freqs = librosa.fft_frequencies(sr=RATE_HZ, n_fft=size)
    size_of = librosa.f0_harmonics(power, f0=f0, freqs=freqs, harmonics=[1, 2, 3], kind="cubic", fill_value=np.nan)
    with np.errstate(all="ignore"):
        return np.arange(len(f0)) * hop / RATE_HZ, 20 * np.log10(np.abs(size_of[1:3] / size_of[:1])).T


def off(run: Callable[[Take], tuple[Floats, Floats]], take: Take) -> Floats:
    """Absolute errors in dB, shape (n, 2); NaN where nothing was given."""
    assert take.harmonics_db is not None
    time_s, got = run(take)
    want = take.harmonics_db(time_s)
    # Below -60 dB a line is a matter of the noise; above 0.4 of the rate the take's own harmonics fade out.
    want = np.where(want > -60.0, want, np.nan)
    for column in (0, 1):
        want[(column + 2) * take.f0_hz(time_s) > 0.40 * RATE_HZ, column] = np.nan
    inside = (time_s > EDGE_S) & (time_s < take.seconds - EDGE_S)
    return np.abs(got - want)[inside]


def measure(say: Callable[[str], None]) -> dict[str, Any]:
    """Errors of both over all takes."""
    takes = clipped_takes()
    rows = {}
    for name, run in ((OURS, ours), (PEER, script)):
        say(f"harmonics: {name}")
        each = [off(run, take) for take in takes]
        row = {}
        for column, line in enumerate(("h2", "h3")):
            all_of = np.concatenate([one[:, column] for one in each])
            all_of = all_of[np.isfinite(all_of)]
            row[f"{line}_median"] = float(np.median(all_of))
            row[f"{line}_p95"] = float(np.quantile(all_of, 0.95))
            row[f"{line}_worst"] = max(float(np.nanmedian(one[:, column])) for one in each)
        rows[name] = row
    return {"rows": rows, "takes": [take.name for take in takes]}


def _cells(found: dict[str, Any]) -> list[list[str | float | None]]:
    keys = [f"{line}_{key}" for line in ("h2", "h3") for key in ("median", "p95", "worst")]
    return [[name, *(row.get(key) for key in keys)] for name, row in found["rows"].items()]


def lost(found: dict[str, Any]) -> list[str]:
    """What the script does better."""
    return losses(found["rows"][OURS], {PEER: found["rows"][PEER]}, WORDS)


def lines(found: dict[str, Any]) -> list[str]:
    """The section as it is printed."""
    return [*table(HEAD, _cells(found), units=UNITS), *wrapped(f"Takes: {'; '.join(found['takes'])}.")]


def readme(found: dict[str, Any]) -> list[str]:
    """The section as a table of the README."""
    return markdown(("harmonics of clipped takes", *HEAD[1:]), _cells(found), units=UNITS)
