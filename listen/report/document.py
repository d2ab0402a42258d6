"""The JSON document of a check, as its shipped schema has it."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from listen.report.account_document import account_document
from listen.report.circuit_document import circuit_document
from listen.report.files import write_whole
from listen.report.jack_volts import jack_document

if TYPE_CHECKING:
    from listen.circuit import Diagnosis
    from listen.findings.types import Finding
    from listen.report.views import CheckView

CHECK_SCHEMA = "listen.check/1"


def check_document(result: CheckView) -> dict[str, Any]:
    """Return the JSON document of one check.

    Parameters
    ----------
    result : CheckResult

    Returns
    -------
    dict
        Numbers, strings, booleans, None, lists and dicts alone; what was not measurable is None.
        It holds to the schema that :func:`check_schema` returns.
    """
    capture, judgement = result.capture, result.judgement
    rate_hz = capture.sample_rate_hz
    document = {
        "schema": CHECK_SCHEMA,
        "tool": {"name": "listen", "version": tool_version()},
        "capture": {
            "path": os.fspath(capture.path),
            "sha256": capture.sha256(),
            "sample_rate_hz": rate_hz,
            "channels": capture.channels,
            "channel": capture.channel,
            "frames": capture.n_samples,
            "duration_s": capture.duration_s,
            "subtype": capture.subtype,
            "volts_per_full_scale": capture.volts_per_full_scale,
            "inverted": capture.inverted if capture.polarity_known else None,
        },
        "settings": {
            "wave": result.wave,
            "gain_control": result.gain_control,
            "topology": result.topology,
            "bench": result.bench_path,
            "start_s": capture.start_sample / rate_hz,
            "end_s": capture.stop_sample / rate_hz,
            "row_every_s": result.frames.row_every_s,
            "limits": judgement.limits,
        },
        "verdict": judgement.verdict,
        "headline": judgement.headline,
        "answers": judgement.answers,
        "summary": judgement.summary,
        "sweep": [_fields(row) for row in judgement.sweep],
        "not_shown": [_fields(item) for item in judgement.not_shown],
        "findings": [
            _finding(finding, diagnosis)
            for finding, diagnosis in zip(judgement.findings, result.diagnoses, strict=True)
        ],
        "account": account_document(judgement.account),
        "circuit": circuit_document(result.circuit),
        "jack": jack_document(result),
    }
    plain: dict[str, Any] = plain_values(document)
    return plain


def documents_text(documents: Sequence[Mapping[str, Any]], *, array: bool) -> str:
    """Return JSON text: the one document, or an array of them.

    Parameters
    ----------
    documents : sequence of dict
        As :func:`check_document` returns them.
    array : bool
        True when several captures were asked for, also where only one of them could be used.

    Returns
    -------
    str
        ASCII, so that it survives any terminal and any editor; ends with a newline.
    """
    content = list(documents) if array else documents[0]
    return json.dumps(content, indent=2, allow_nan=False) + "\n"


def write_documents(
    documents: Sequence[Mapping[str, Any]], path: str | os.PathLike[str], *, array: bool = False
) -> None:
    """Write documents to a JSON file, whole or not at all.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    write_whole(path, documents_text(documents, array=array).encode("ascii"))


@cache
def check_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the document of a check."""
    text = (Path(__file__).parent / "schemas" / "check-1.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


@cache
def tool_version() -> str:
    """Return the version of the installed package."""
    from importlib import metadata  # 30 ms, and only a document needs it

    try:
        return metadata.version("listen")
    except metadata.PackageNotFoundError:
        return "0"


def _finding(finding: Finding, diagnosis: Diagnosis) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": finding.severity,
        "start_s": finding.start_s,
        "end_s": finding.end_s,
        "f0_low_hz": finding.f0_low_hz,
        "f0_high_hz": finding.f0_high_hz,
        "half": finding.half,
        "half_certain": finding.half_certain,
        "half_known": finding.half_known,
        "evidence": finding.evidence,
        "sentence": finding.sentence,
        "part": finding.part,
        "likely_causes": diagnosis.likely_causes,
        "next_checks": diagnosis.next_checks,
    }


def _fields(item: Any) -> dict[str, Any]:
    return {field.name: getattr(item, field.name) for field in fields(item)}


def plain_values(value: Any) -> Any:
    """Turn a value into what JSON knows: mappings, sequences, numpy scalars; not finite becomes None."""
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_values(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
