"""The JSON document of a calibration, as its shipped schema has it, and its tables as CSV."""

from __future__ import annotations

import json
import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from listen.report.csv_cells import Decimal, with_decimal
from listen.report.document import plain_values, tool_version
from listen.report.files import write_whole
from listen.units import cents_off_note, note_name

if TYPE_CHECKING:
    from listen.calibration.types import Calibration, ErrorSplit, Gap, InverseRow, Law, Step, Trim
    from listen.report.calibration_views import CalibrationView
    from listen.report.views import CaptureView

CALIBRATION_SCHEMA = "listen.calibration/1"
STEP_COLUMNS = (
    "cv_v", "nominal_v", "f0_hz", "f0_sigma_cents", "note", "cents_off_note", "error_cents", "settling_s",
    "direction", "start_s", "end_s", "capture", "unsettled", "missing", "doubtful", "fits_v",
)  # fmt: skip


def calibration_document(result: CalibrationView) -> dict[str, Any]:
    """Return the JSON document of a calibration.

    Parameters
    ----------
    result : CalibrationResult

    Returns
    -------
    dict
        Numbers, strings, booleans, None, lists and dicts alone. It holds to :func:`calibration_schema`.
    """
    calibration = result.calibration
    document = {
        "schema": CALIBRATION_SCHEMA,
        "tool": {"name": "listen", "version": tool_version()},
        "captures": [_capture(capture) for capture in result.captures],
        "settings": {
            "law": result.law_asked,
            "voltages": result.voltage_source,
            "bench": ", ".join(result.bench_paths) or None,
            "axis": calibration.axis,
        },
        "steps": [_step(step) for step in calibration.steps],
        "law": None if calibration.law is None else _law(calibration.law),
        "hysteresis_cents": _hysteresis(calibration.hysteresis),
        "repeatability_cents": _repeatability(calibration.repeatability),
        "error_split": None if calibration.split is None else _split(calibration.split),
        "intervals": [
            {
                "from_v": one.from_v,
                "to_v": one.to_v,
                "from_hz": one.from_hz,
                "to_hz": one.to_hz,
                "width_cents": one.width_cents,
                "error_cents": one.width_cents - 1200.0,
            }
            for one in calibration.intervals
        ],
        "inverse": [_inverse(row) for row in calibration.inverse],
        "trim": None if calibration.trim is None else _trim(calibration.trim),
        "doubts": list(calibration.doubts),
        "advice": list(calibration.advice),
        "notes": list(calibration.notes),
    }
    whole: dict[str, Any] = plain_values(document)
    return whole


@cache
def calibration_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the document of a calibration."""
    text = (Path(__file__).parent / "schemas" / "calibration-1.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def steps_csv(calibration: Calibration, decimal: Decimal = "point") -> str:
    """Return the table of steps as CSV: a header, a row a step, empty where there is nothing."""
    place = "cv_v" if calibration.axis == "volts" else "position"
    lines = [",".join([place, *STEP_COLUMNS[1:]])]
    for step in calibration.steps:
        values = _step(step)
        lines.append(",".join(_cell(values[column]) for column in STEP_COLUMNS))
    return with_decimal("\n".join(lines) + "\n", decimal)


def inverse_csv(calibration: Calibration, decimal: Decimal = "point") -> str:
    """Return the inverse table as CSV: note, pitch, the voltage to give (or the position) and its uncertainty."""
    lines = ["note,f0_hz,cv_v,sigma_v" if calibration.axis == "volts" else "note,f0_hz,position,sigma_position"]
    lines += [f"{row.note},{row.f0_hz:.9g},{row.cv_v:.6f},{row.sigma_v:.6f}" for row in calibration.inverse]
    return with_decimal("\n".join(lines) + "\n", decimal)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a text whole or not at all."""
    write_whole(path, text.encode("utf-8"))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _capture(capture: CaptureView) -> dict[str, Any]:
    return {
        "path": os.fspath(capture.path),
        "sha256": capture.sha256(),
        "sample_rate_hz": capture.sample_rate_hz,
        "channels": capture.channels,
        "channel": capture.channel,
        "frames": capture.n_samples,
        "duration_s": capture.duration_s,
    }


def _step(step: Step) -> dict[str, Any]:
    there = step.f0_hz is not None
    return {
        "cv_v": float(step.cv_v),
        "nominal_v": step.nominal_v,
        "f0_hz": step.f0_hz,
        "f0_sigma_cents": step.f0_sigma_cents,
        "note": note_name(step.f0_hz) if step.f0_hz is not None else None,
        "cents_off_note": cents_off_note(step.f0_hz) if step.f0_hz is not None else None,
        "error_cents": step.error_cents if there else None,
        "settling_s": step.settling_s if there else None,
        "moving_cents": step.moving_cents if there else None,
        "unsettled": step.unsettled,
        "missing": step.missing,
        "doubtful": step.doubtful,
        "fits_v": step.fits_v,
        "direction": step.direction,
        "start_s": step.start_s,
        "end_s": step.end_s,
        "capture": step.capture + 1,
    }


def _law(law: Law) -> dict[str, Any]:
    return {
        "kind": law.kind,
        "chosen_because": law.chosen_because,
        "octaves_per_volt": law.octaves_per_volt,
        "octaves_per_volt_sigma": law.octaves_per_volt_sigma,
        "volts_per_octave": law.volts_per_octave,
        "octaves_per_nominal_volt": law.octaves_per_nominal_volt,
        "hertz_per_volt": law.hertz_per_volt,
        "hertz_per_volt_sigma": law.hertz_per_volt_sigma,
        "f0_at_zero_v_hz": law.f0_at_zero_v_hz,
        "exponent": law.exponent,
        "exponent_sigma": law.exponent_sigma,
        "exponent_from_v": law.exponent_from_v,
        "straight_v": list(law.straight_v),
        "errors_against": law.errors_against,
        "rms_error_cents": law.rms_error_cents,
        "worst_error_cents": law.worst_error_cents,
        "worst_at_v": law.worst_at_v,
        "range_v": list(law.range_v),
        "range_hz": list(law.range_hz),
    }


def _hysteresis(gap: Gap | None) -> dict[str, Any] | None:
    if gap is None:
        return None
    return {"median": gap.median, "worst": gap.worst, "worst_at_v": gap.worst_at_v, "pairs": gap.pairs}


def _repeatability(gap: Gap | None) -> dict[str, Any] | None:
    if gap is None:
        return None
    return {"rms": gap.median, "worst": gap.worst, "worst_at_v": gap.worst_at_v, "values": gap.pairs}


def _split(split: ErrorSplit) -> dict[str, Any]:
    units = {
        "offset": "offset_cents",
        "scale": "scale_cents_per_volt",
        "proportional": "proportional_cents_per_khz",
        "inverse": "inverse_cents_hz",
    }
    values: dict[str, Any] = {}
    for term in split.terms:
        values[units[term.name]] = term.value
        values[f"{units[term.name]}_sigma"] = term.sigma
    return {
        **values,
        "refused": [{"term": term.name, "why": term.refused} for term in split.terms if term.refused],
        "fitted": list(split.fitted),
        "covariance": split.covariance.tolist(),
        "rms_cents": split.rms_cents,
    }


def _inverse(row: InverseRow) -> dict[str, Any]:
    return {"note": row.note, "f0_hz": row.f0_hz, "cv_v": row.cv_v, "sigma_v": row.sigma_v}


def _trim(trim: Trim) -> dict[str, Any]:
    return {
        "turned": trim.turned,
        "pivot_v": trim.pivot_v,
        "pivot_sigma_v": trim.pivot_sigma_v,
        "cents_per_octave_per_turn": trim.cents_per_octave_per_turn,
        "turns_left": trim.turns_left,
        "trim_at_v": trim.trim_at_v,
        "reads_hz": trim.reads_hz,
        "should_read_hz": trim.should_read_hz,
    }
