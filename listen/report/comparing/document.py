"""The JSON document of a comparison, as its shipped schema has it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

from listen.report.comparing.types import Comparison
from listen.report.document import tool_version

COMPARE_SCHEMA = "listen.compare/1"


def compare_document(comparison: Comparison) -> dict[str, Any]:
    """Return the JSON document of a comparison; it holds to the schema that :func:`compare_schema` returns."""
    return {
        "schema": COMPARE_SCHEMA,
        "tool": {"name": "listen", "version": tool_version()},
        "before": _side(comparison.before),
        "after": _side(comparison.after),
        "verdict": comparison.verdict,
        "headline": comparison.headline,
        "advice": comparison.advice,
        "remarks": list(comparison.remarks),
        "level_offset_db": comparison.level_offset_db,
        "shared": {"f0_low_hz": comparison.shared_low_hz, "f0_high_hz": comparison.shared_high_hz},
        "sweep": [asdict(row) for row in comparison.rows],
        "findings": [asdict(finding) for finding in comparison.findings],
        "circuit": [asdict(figure) for figure in comparison.circuit],
    }


@cache
def compare_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the document of a comparison."""
    text = (Path(__file__).parents[1] / "schemas" / "compare-1.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _side(document: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "path": document["capture"]["path"],
        "sha256": document["capture"]["sha256"],
        "verdict": document["verdict"],
        "headline": document["headline"],
    }
