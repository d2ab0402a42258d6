"""The JSON document holds to the shipped schema, and the schema refuses what is not one."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from listen.findings import measured
from listen.report import check_document, check_schema, documents_text, write_documents
from tests.helpers import make_finding, make_judgement, make_result


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return check_document(make_result())


def required_places(schema: dict[str, Any], place: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Give the place of every key that the schema requires; the first item stands for an array."""
    for key in schema.get("required", ()):
        yield (*place, key)
    for key, part in schema.get("properties", {}).items():
        yield from required_places(part, (*place, key))
    if "items" in schema:
        yield from required_places(schema["items"], (*place, 0))


REQUIRED = sorted(set(required_places(check_schema())), key=str)


def refused(document: Any) -> bool:
    validator = jsonschema.Draft202012Validator(check_schema())
    return not validator.is_valid(document)


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(check_schema())
    assert check_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert len(REQUIRED) > 50


def test_a_document_holds_to_the_schema(document: dict[str, Any]) -> None:
    jsonschema.validate(document, check_schema(), cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("place", REQUIRED, ids=lambda place: ".".join(map(str, place)))
def test_without_a_required_key_it_is_refused(document: dict[str, Any], place: tuple[Any, ...]) -> None:
    broken = copy.deepcopy(document)
    inner: Any = broken
    for key in place[:-1]:
        inner = inner[key]
    del inner[place[-1]]
    assert refused(broken)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("schema",), "listen.check/2"),
        (("verdict",), "good"),
        (("verdict",), "pass"),
        (("capture", "channel"), 0),
        (("capture", "sha256"), "abc"),
        (("settings", "wave"), "sinus"),
        (("findings", 0, "severity"), "bad"),
        (("findings", 0, "half"), "left"),
        (("findings", 0, "kind"), "Asymmetric clipping"),
        (("findings", 0, "likely_causes"), "one"),
        (("not_shown", 0, "question"), "noise"),
        (("sweep", 0, "thd_percent"), "1 %"),
        (("summary", "f0_low_hz"), "low"),
        (("headline",), ""),
    ],
)
def test_a_wrong_value_is_refused(document: dict[str, Any], place: tuple[Any, ...], value: Any) -> None:
    broken = copy.deepcopy(document)
    inner: Any = broken
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    assert refused(broken)


def test_every_key_that_is_written_is_described(document: dict[str, Any]) -> None:
    def undescribed(value: Any, schema: dict[str, Any], place: str) -> Iterator[str]:
        if isinstance(value, dict):
            if "properties" not in schema:
                return
            for key, part in value.items():
                if key not in schema["properties"]:
                    yield f"{place}.{key}"
                else:
                    yield from undescribed(part, schema["properties"][key], f"{place}.{key}")
        elif isinstance(value, list) and "items" in schema:
            for part in value:
                yield from undescribed(part, schema["items"], f"{place}[]")

    assert list(undescribed(document, check_schema(), "")) == []


def test_what_is_not_measurable_is_null_and_the_text_is_json() -> None:
    numbers = measured.Hum(
        mains_hz=np.float64(50.0),  # type: ignore[arg-type]
        level_dbc=float("nan"),
        strongest_hz=float("inf"),
        as_sidebands=np.bool_(True),  # type: ignore[arg-type]
        in_silence=False,
    )
    tops = measured.Overload(tops=np.int64(4), positive_tops=4, negative_tops=0, ceiling_fs=0.5)  # type: ignore[arg-type]
    judgement = make_judgement(
        findings=(
            make_finding("mains-hum", measured=numbers, f0_low_hz=float("nan"), f0_high_hz=float("inf")),
            make_finding("capture-overload", measured=tops),
        ),
        summary={**make_judgement().summary, "level_dbfs": float("-inf"), "noise_dbfs": None},
    )
    document = check_document(make_result(judgement))

    def no_constant(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    again = json.loads(documents_text([document], array=False), parse_constant=no_constant)
    assert again == document
    assert again["findings"][0]["evidence"] == {
        "mains_hz": 50.0,
        "level_dbc": None,
        "strongest_hz": None,
        "as_sidebands": True,
        "in_silence": False,
    }
    assert again["findings"][1]["evidence"]["tops"] == 4
    assert again["findings"][0]["f0_low_hz"] is None
    assert again["summary"]["level_dbfs"] is None
    assert not refused(again)


def test_one_capture_is_a_document_and_several_are_an_array(document: dict[str, Any], tmp_path: Path) -> None:
    assert json.loads(documents_text([document], array=False)) == document
    assert json.loads(documents_text([document, document], array=True)) == [document, document]
    assert json.loads(documents_text([document], array=True)) == [document]
    write_documents([document], tmp_path / "out.json")
    assert json.loads((tmp_path / "out.json").read_text(encoding="ascii")) == document


def test_a_name_that_no_encoding_holds_survives() -> None:
    result = make_result()
    name = "caf\u00e9 \u6ce2 \udcff.wav"
    result = replace(result, capture=replace(result.capture, path=name))
    text = documents_text([check_document(result)], array=False)
    assert text.isascii()
    assert json.loads(text)["capture"]["path"] == name


def test_findings_and_diagnoses_must_belong_together() -> None:
    with pytest.raises(ValueError, match="zip"):
        check_document(make_result(diagnoses=()))
