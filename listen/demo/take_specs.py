"""From the specification of a take (laws of pitch, shape, level, recorder) to samples and truth."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.demo import controls, recorder, truth, waves
from listen.units import db_from_ratio, hz_from_cents, ratio_from_db, third_edges_hz, third_index

Floats = NDArray[np.float64]

PREROLL_S = 1.5
"""The build runs before the recording starts, so that the recorder's coupling has settled."""

EDGE_S = 0.12
"""No pitch is stated in the first and the last part of a take."""

SILENT_SHARE = 0.01
"""Below this part of the settled level nothing is said to oscillate."""

WaveFunction = Callable[[Floats, Floats, float], Floats]
ModulationLaw = Callable[[Floats, Floats], Floats]
AddedSignal = Callable[[Floats, Floats, Floats], Floats]
RecordingDamage = Callable[[Floats, float], Floats]
CircuitModel = Callable[[Floats, Floats], tuple[Floats, Floats | None]]


def _nothing(_measured: truth.Measured, _spec: TakeSpec) -> list[dict[str, Any]]:
    return []


@dataclass(frozen=True, kw_only=True)
class TakeSpec:
    """Everything that makes a take, as laws.

    Attributes
    ----------
    family : str
    control : Control
        Pitch against time; its end is the end of the take.
    recorder : Recorder
    level_dbfs : float
        Level of the fundamental where ``envelope`` is 1; for a circuit, of the wave's peak.
    wave, gain_control : str
        What a user would state.
    shape : callable (phase_rad, f0_hz, rate_hz) -> wave
        One sample a phase; the default is a cosine.
    series_of : (wave, duty) or None
        A wave with jumps, added up from its series instead of ``shape``.
    circuit : callable (time_s, f0_hz) -> (volts, guide phase or None), or None
        Solves a circuit instead; times and wanted pitches are at ``oversample`` times the file's rate.
    circuit_text : str
        What was solved, for the reader of the truth file.
    preroll_s : float
        The build runs so long before the recording starts.
    envelope : callable (time_s, f0_hz) -> factor, or None
    wander_cents : callable (time_s, f0_hz) -> cents, or None
    added : callable (time_s, phase_rad, f0_hz) -> wave, or None
        Relative to the level; is recorded, but is no part of the truth's harmonics.
    damage : callable (samples, rate_hz) -> samples, or None
        Done to the finished file.
    expect : callable (measured, spec) -> list of findings
    allowed : mapping of kind to reason
    oversample : int
    remembers : bool
        The shape depends on what came before (a slewing stage): the pitch's lag is measured.
    tabled_control : bool
        The pitch table states the control's pitch, without a wander faster than any frame.
    second_channel : callable (time_s) -> samples, or None
        Recorded beside the tone.
    values : mapping
        For the reader of the truth file.
    """

    family: str
    control: controls.Control
    recorder: recorder.Recorder
    level_dbfs: float
    wave: str = "sine"
    gain_control: str | None = None
    shape: WaveFunction | None = None
    series_of: tuple[str, float] | None = None
    circuit: CircuitModel | None = None
    circuit_text: str = ""
    preroll_s: float = PREROLL_S
    envelope: ModulationLaw | None = None
    wander_cents: ModulationLaw | None = None
    added: AddedSignal | None = None
    damage: RecordingDamage | None = None
    expect: Callable[[truth.Measured, TakeSpec], list[dict[str, Any]]] = _nothing
    allowed: Mapping[str, str] = field(default_factory=dict)
    oversample: int = 8
    remembers: bool = False
    tabled_control: bool = False
    second_channel: Callable[[Floats], Floats] | None = None
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Solved:
    """The noise-free wave, before the recorder."""

    rate_hz: float
    start_s: float
    volts_per_full_scale: float
    wave: Floats
    phase: Floats
    f0_hz: Floats
    file_wave: Floats
    """At the file's rate, with what is added, from ``start_s``."""


def solve(spec: TakeSpec) -> Solved:
    """Compute the wave of a specification."""
    factor = spec.oversample if spec.series_of is None else 1
    rate_hz = float(spec.recorder.sample_rate_hz * factor)
    preroll = int(spec.preroll_s * spec.recorder.sample_rate_hz) * factor
    count = preroll + round(spec.control.end_s * spec.recorder.sample_rate_hz) * factor
    time_s = (np.arange(count) - preroll) / rate_hz
    f0_hz = spec.control.f0_hz(time_s)
    if spec.wander_cents is not None:
        f0_hz = hz_from_cents(spec.wander_cents(time_s, f0_hz), f0_hz)
    phase = controls.phase_rad(f0_hz, rate_hz, start_rad=1.0)
    scale = np.full(count, ratio_from_db(spec.level_dbfs))
    peak_v = np.nan
    if spec.circuit is not None:
        wave, guide = spec.circuit(time_s, f0_hz)
        phase = truth.crossing_phase(wave) if guide is None else guide
        f0_hz = np.gradient(phase) * rate_hz / (2.0 * np.pi)
        peak_v = float(np.max(np.abs(wave[preroll:])))
        wave = wave / peak_v
    if spec.envelope is not None:
        scale *= spec.envelope(time_s, f0_hz)
    if spec.series_of is not None:
        wave = _series_wave(spec, phase, f0_hz)
    elif spec.circuit is None:
        wave = np.cos(phase) if spec.shape is None else spec.shape(phase, f0_hz, rate_hz)
    wave = wave * scale
    with_added = wave if spec.added is None else wave + scale * spec.added(time_s, phase, f0_hz)
    return Solved(
        rate_hz=rate_hz,
        start_s=-preroll / rate_hz,
        volts_per_full_scale=peak_v / ratio_from_db(spec.level_dbfs),
        wave=wave,
        phase=phase,
        f0_hz=f0_hz,
        file_wave=recorder.decimate(with_added, factor),
    )


def _series_wave(spec: TakeSpec, phase: Floats, f0_hz: Floats) -> Floats:
    assert spec.series_of is not None
    name, duty = spec.series_of
    count = int(0.5 * spec.recorder.sample_rate_hz / f0_hz.min()) + 1
    cosines, sines = waves.series(name, count, duty)
    wave = np.empty_like(phase)
    waves.sum_series(phase, f0_hz, float(spec.recorder.sample_rate_hz), cosines, sines, wave)
    return wave


def frame_times(spec: TakeSpec) -> Floats:
    """Centres of the truth's frames, away from the edges and from steps of the control."""
    times_s = np.arange(EDGE_S + 0.01, spec.control.end_s - EDGE_S, truth.HOP_S)
    keep = np.ones(len(times_s), dtype=bool)
    for step_s in spec.control.retunes_s():
        keep &= np.abs(times_s - step_s) > 0.5 * truth.FRAME_S + 0.01
    return times_s[keep]


def measure(spec: TakeSpec, solved: Solved) -> truth.Measured:
    """Truth's frames; for a wave with jumps from its series, without the recorder's band limit."""
    times_s = frame_times(spec)
    measured = truth.measure(
        solved.wave,
        solved.phase,
        solved.rate_hz,
        times_s,
        spec.recorder.sample_rate_hz,
        start_s=solved.start_s,
    )
    if spec.series_of is not None:
        cosines, sines = waves.series(spec.series_of[0], truth.HARMONICS, spec.series_of[1])
        sizes = np.hypot(cosines, sines)[1:]
        for row in range(len(times_s)):
            fit = np.isfinite(measured.harmonics[row])
            measured.harmonics[row, fit] = sizes[fit]
    settled = np.nanmax(measured.amplitude_fs) if np.any(measured.oscillating) else 1.0
    quiet = ~(measured.amplitude_fs > SILENT_SHARE * settled)
    measured.f0_hz[quiet] = np.nan
    if spec.remembers:
        measured.f0_hz[:] = truth.corrected_f0(measured.f0_hz, measured.phase_1_rad, times_s)
    return measured


def make(spec: TakeSpec, name: str, folder: Path, seed: int) -> dict[str, Any]:
    """Write NAME.wav and NAME.truth.json and return the truth."""
    rng = np.random.default_rng(seed)
    solved = solve(spec)
    skip = round(-solved.start_s * spec.recorder.sample_rate_hz)
    samples = recorder.record(solved.file_wave, spec.recorder, rng, skip_samples=skip)
    if spec.damage is not None:
        samples = spec.damage(samples, float(spec.recorder.sample_rate_hz))
    measured = measure(spec, solved)
    findings = spec.expect(measured, spec)
    peak_fs = float(np.nanmax(np.abs(samples)))
    document = truth_document(spec, name, measured, findings, peak_fs, f0_table(spec, solved, measured))
    if np.isfinite(solved.volts_per_full_scale):
        document["recording"]["volts_per_full_scale"] = round(solved.volts_per_full_scale, 4)
    if spec.second_channel is not None:
        other = spec.second_channel(np.arange(len(samples)) / spec.recorder.sample_rate_hz)
        samples = np.stack((samples, other), axis=1)
    recorder.write_wav(folder / f"{name}.wav", samples, spec.recorder)
    (folder / f"{name}.truth.json").write_text(json.dumps(document, separators=(",", ":")) + "\n", encoding="utf-8")
    return document


def f0_table(spec: TakeSpec, solved: Solved, measured: truth.Measured) -> list[list[float | None]]:
    """Pitch every 10 ms; None at the edges, within a jump and where nothing oscillates."""
    times_s = np.arange(1, int(spec.control.end_s * 100.0)) / 100.0
    index = np.rint((times_s - solved.start_s) * solved.rate_hz).astype(int)
    f0_hz = spec.control.f0_hz(times_s) if spec.tabled_control else solved.f0_hz[index].copy()
    if spec.remembers and len(measured.time_s) > 1:
        factor = measured.f0_hz / np.interp(measured.time_s, times_s, f0_hz)
        good = np.isfinite(factor)
        f0_hz *= np.interp(times_s, measured.time_s[good], factor[good])
    good = (times_s >= EDGE_S) & (times_s <= spec.control.end_s - EDGE_S)
    for step_s in spec.control.retunes_s():
        good &= np.abs(times_s - step_s) > controls.JUMP_HALF_WIDTH_S
    if len(measured.time_s):
        nearest = np.argmin(np.abs(times_s[:, None] - measured.time_s[None, :]), axis=1)
        good &= measured.oscillating[nearest]
    else:
        good[:] = False
    return [
        [round(float(t), 2), round(float(f), 6) if ok else None] for t, f, ok in zip(times_s, f0_hz, good, strict=True)
    ]


def _db(ratio: Floats) -> Floats:
    return db_from_ratio(np.maximum(ratio, 1e-9))


def _cell(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def frame_rows(measured: truth.Measured) -> list[list[float | None]]:
    """Rows of the truth's frames table, in the order of ``truth.COLUMNS``."""
    rows = []
    level, thd = _db(measured.amplitude_fs), measured.thd_percent
    even, odd, harmonics = _db(measured.even), _db(measured.odd), _db(measured.harmonics)
    for i in np.flatnonzero(measured.oscillating):
        head = [_cell(measured.time_s[i], 4), _cell(measured.f0_hz[i], 5), _cell(level[i], 3), _cell(thd[i], 4)]
        tail = [_cell(value, 2) for value in (even[i], odd[i], *harmonics[i])]
        shape = (measured.crest_positive, measured.crest_negative, measured.flat_positive, measured.flat_negative)
        rows.append([*head, *tail, *(_cell(column[i], 4) for column in (*shape, measured.slope_over_sine))])
    return rows


def steady(measured: truth.Measured) -> NDArray[np.bool_]:
    """Frames in which the level neither grows nor dies (less than 15 dB a second) and is not down by 20 dB."""
    if len(measured.time_s) < 3 or not np.any(measured.oscillating):
        return np.zeros(len(measured.time_s), dtype=bool)
    db = _db(np.nan_to_num(measured.amplitude_fs))
    slow = np.abs(np.gradient(db, measured.time_s)) < 15.0
    return np.asarray(slow & (db > np.quantile(db, 0.9) - 20.0))


def _summary(measured: truth.Measured) -> dict[str, float | None]:
    if not np.any(measured.oscillating):
        return {"f0_low_hz": None, "f0_high_hz": None, "level_span_db": None}
    here = measured.oscillating & steady(measured)
    if not np.any(here):
        here = measured.oscillating
    level = _db(measured.amplitude_fs[here])
    thd = measured.thd_percent[here]
    return {
        "f0_low_hz": round(float(np.min(measured.f0_hz[here])), 3),
        "f0_high_hz": round(float(np.max(measured.f0_hz[here])), 3),
        "level_span_db": round(float(np.ptp(level)), 2),
        "thd_median_percent": round(float(np.median(thd)), 4),
        "thd_worst_percent": round(float(np.max(thd)), 4),
    }


def truth_document(
    spec: TakeSpec,
    name: str,
    measured: truth.Measured,
    findings: Sequence[dict[str, Any]],
    peak_fs: float,
    table: list[list[float | None]],
) -> dict[str, Any]:
    """Return the truth file's content (schema circuit.truth/1)."""
    expected = [item for item in findings if item["severity"] != "allowed" and item["kind"] not in spec.allowed]
    allowed = {"capture-bandwidth": "a matter of the recording", **spec.allowed}
    allowed |= {item["kind"]: item["why"] for item in findings if item["severity"] == "allowed"}
    worst = {item["severity"] for item in expected}
    verdict = "fault" if "fault" in worst else "attention" if worst else "pass"
    rec = spec.recorder
    return {
        "schema": "circuit.truth/1",
        "name": name,
        "family": spec.family,
        "circuit": spec.circuit_text or f"a wave in closed form, family {spec.family}",
        "values": dict(spec.values),
        "solved_by": "closed form" if spec.circuit is None else "ode",
        "wave": spec.wave,
        "settings": {"wave": spec.wave, "gain_control": spec.gain_control},
        "sample_rate_hz": rec.sample_rate_hz,
        "duration_s": round(spec.control.end_s, 3),
        "recording": {
            "noise_dbfs": rec.noise_dbfs,
            "ac_coupling_hz": rec.ac_coupling_hz,
            "hum_hz": rec.hum_hz,
            "hum_dbfs": rec.hum_dbfs,
            "peak_dbfs": round(db_from_ratio(max(peak_fs, 1e-9)), 2),
            "subtype": rec.subtype,
        },
        "verdict": verdict,
        "expected": expected,
        "allowed": allowed,
        "held": [list(pair) for pair in spec.control.held_s()],
        "retunes": spec.control.retunes_s(),
        "summary": _summary(measured),
        "thirds": thirds(measured),
        "f0_table": table,
        "frames_columns": list(truth.COLUMNS),
        "frames": frame_rows(measured),
    }


def thirds(measured: truth.Measured) -> list[dict[str, float | None]]:
    """Medians a third of an octave (exact base-ten edges)."""
    rows: list[dict[str, float | None]] = []
    here = measured.oscillating
    band = np.full(len(here), -999)
    band[here] = third_index(measured.f0_hz[here])
    columns = {
        "level_dbfs": _db(measured.amplitude_fs),
        "thd_percent": measured.thd_percent,
        "even_dbc": _db(measured.even),
        "odd_dbc": _db(measured.odd),
        "crest_positive": measured.crest_positive,
        "crest_negative": measured.crest_negative,
    }
    for number in sorted(set(band[here].tolist())):
        inside = band == number
        row: dict[str, float | None] = {
            "f0_low_hz": round(third_edges_hz(number)[0], 2),
            "f0_high_hz": round(third_edges_hz(number)[1], 2),
            "seconds": round(float(np.count_nonzero(inside)) * truth.HOP_S, 2),
        }
        row |= {key: _cell(float(np.median(column[inside])), 4) for key, column in columns.items()}
        rows.append(row)
    return rows
