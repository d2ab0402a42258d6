"""The records of the kinds: whole, read, and every sentence has its numbers."""

from __future__ import annotations

import ast
import re
import string
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest

from listen import findings
from listen.findings import all_kinds, half_fields, kind_of, name_of
from listen.findings import measured as measured_module
from listen.findings.kinds import KindQuestion, Worst
from listen.findings.measured import Measured, names_of
from listen.findings.words import finding_of, written
from listen.report.page.sections import CHARTS_OF
from listen.track import Frames
from tests.findings.examples import EXAMPLES, NAMES, Example

FOLDER = Path(findings.__file__).parent
KINDS = sorted(all_kinds())
KEYS = {
    *("name", "question", "unit", "measure", "compared_in", "falling", "asks", "chart", "worst", "limits"),
    *("limits_of", "sentences", "bench"),
}
LIMIT_KEYS = {
    "line_dbc",
    *("attention", "fault", "note", "cycles", "shortest_s", "attention_settling_s", "fault_settling_s"),
    "least_us",
}
UNITS = {"%", "dB", "dBc", "s", "us", "cents"}
FROM_ELSEWHERE = {*half_fields(None, False), "pitch", "normal", "from_onset", "thd_reached"}
"""What a sentence may name beside the numbers of its finding."""
GAIN_CONTROLS = {"jfet", "diodes", "lamp", "ldr", "none", "other"}
WAVES = {"sine", "triangle", "sawtooth", "square", "pulse", "any"}


def record(kind: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / "kinds" / f"{kind}.toml").read_text("utf-8"))


def placeholders(sentence: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None}


def test_there_is_a_record_for_each_file_and_each_is_known() -> None:
    assert KINDS == sorted(path.stem for path in (FOLDER / "kinds").glob("*.toml"))
    assert len(KINDS) == 34
    assert {example.kind for example in EXAMPLES} == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_is_whole_and_read_as_it_stands(kind: str) -> None:
    table, found = record(kind), kind_of(kind)
    assert set(table) <= KEYS
    assert {"name", "question", "unit", "chart", "limits", "sentences", "bench"} <= set(table)
    assert found.key == kind
    assert found.name == table["name"] == name_of(kind)
    assert re.fullmatch(r"[a-z][^.]*", found.name)
    assert found.question in get_args(KindQuestion)
    assert found.of_the_recording is (found.question == "recording")
    assert (found.unit, found.chart) == (table["unit"], table["chart"])
    assert found.chart in {name for names in CHARTS_OF.values() for name in names}
    assert found.asks == table.get("asks")
    assert found.asks in {None, "pitch", "start", "hold", "clean"}
    assert found.falling is table.get("falling", False)
    assert dict(found.limits) == table["limits"]
    assert found.limits_of == table.get("limits_of", {})
    assert (found.measure, found.compared_in) == (table.get("measure"), table.get("compared_in"))
    assert found.sentences == table["sentences"]
    assert found.bench == table["bench"]


@pytest.mark.parametrize("kind", KINDS)
def test_limits_are_in_order_and_of_known_keys(kind: str) -> None:
    found = kind_of(kind)
    rows = [dict(found.limits)]
    for what, known in (("gain_control", GAIN_CONTROLS), ("wave", WAVES)):
        for stated, row in found.limits_of.get(what, {}).items():
            assert stated in known
            assert set(row) <= set(found.limits), "a limit that differs must be one of the kind's"
            rows.append({**found.limits, **row})
    assert set(found.limits_of) <= {"gain_control", "wave"}
    for row in rows:
        assert set(row) <= LIMIT_KEYS
        for low, high in (("attention", "fault"), ("attention_settling_s", "fault_settling_s")):
            if low in row and high in row:
                assert row[high] < row[low] if found.falling else row[low] < row[high]


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_measured_is_a_number_of_the_finding_with_a_unit(kind: str) -> None:
    found = kind_of(kind)
    assert (found.measure is None) == (found.compared_in is None)
    if found.measure is None:
        assert found.of_the_recording or kind == "oscillation-absent"
        return
    assert found.compared_in in UNITS
    endings = {"%": "_percent", "dB": "_db", "dBc": "_dbc", "s": "s", "us": "_us", "cents": "_cents"}
    assert found.measure.endswith(endings[found.compared_in])
    for example in EXAMPLES:
        if example.kind == kind:
            assert found.measure in names_of(example.measured)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if "attention" in kind_of(kind).limits])
def test_limits_are_of_what_is_measured(kind: str) -> None:
    """The unit of the limits begins with that of the measure."""
    found = kind_of(kind)
    if found.compared_in is not None:
        assert found.unit.split()[0] == found.compared_in


@pytest.mark.parametrize("kind", KINDS)
def test_the_worst_place_is_sought_in_columns_that_there_are(kind: str) -> None:
    worst = kind_of(kind).worst
    if worst is None:
        return
    assert worst.how in get_args(get_type_hints(Worst)["how"])
    assert len(worst.columns) == (2 if worst.how == "difference" else 1)
    assert set(worst.columns) <= {f.name for f in fields(Frames)}
    # decibels are averaged over a second as powers
    assert (worst.how == "power") == worst.columns[0].endswith("_dbc")


# Sentences


@pytest.mark.parametrize("kind", KINDS)
def test_sentences_name_only_what_there_is(kind: str) -> None:
    for variant, sentence in kind_of(kind).sentences.items():
        assert sentence.endswith((".", "{normal}")), variant
        for example in EXAMPLES:
            if example.kind == kind:
                assert placeholders(sentence) <= {*names_of(example.measured), *FROM_ELSEWHERE}, variant


@pytest.mark.parametrize("example", EXAMPLES, ids=NAMES)
@pytest.mark.parametrize("known", [True, False], ids=["all known", "some unknown"])
def test_a_sentence_is_whole_whatever_could_be_measured(example: Example, known: bool) -> None:
    numbers = example.measured if known else example.with_unknown()
    sentence = finding_of(example.candidate(measured=numbers), None).sentence
    assert sentence.endswith((".", ")"))
    assert not re.search(r"[{}]|  | ,|: ,|\( ?\)|\bNone\b|\bnan\b|\binf\b", sentence), sentence
    told = written(numbers)
    for name in placeholders(kind_of(example.kind).sentences.get(example.variant, "")) & set(told):
        assert told[name] in sentence


@pytest.mark.parametrize("example", EXAMPLES, ids=NAMES)
def test_every_sentence_that_a_rule_asks_for_is_in_the_record(example: Example) -> None:
    """Another is not put in its place in silence."""
    assert example.variant in kind_of(example.kind).sentences


def test_every_sentence_of_a_record_is_said_by_a_rule() -> None:
    written = {(kind, variant) for kind in KINDS for variant in kind_of(kind).sentences}
    assert written - {(example.kind, example.variant) for example in EXAMPLES} == set()
    asked = variants_in_rules()
    assert {variant for _, variant in written} - asked == set()
    assert {example.variant for example in EXAMPLES} == asked


def variants_in_rules() -> set[str]:
    """Names of sentences in the sources of the rules; a stop is told as it ended."""
    found = {"plain", "off", "fade"}
    for path in FOLDER.glob("rules_*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "variant":
                found |= results_of(node.value)
            elif isinstance(node, ast.Dict):
                for key, value in zip(node.keys, node.values, strict=True):
                    if isinstance(key, ast.Constant) and key.value == "variant":
                        found |= results_of(value)
            elif isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "variant":
                found |= results_of(node.value)
    return found


def results_of(node: ast.expr) -> set[str]:
    """Texts that an expression may be; those in its conditions are none."""
    if isinstance(node, ast.IfExp):
        return results_of(node.body) | results_of(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


def test_every_class_of_numbers_belongs_to_a_kind() -> None:
    classes = {c for c in vars(measured_module).values() if isinstance(c, type) and issubclass(c, Measured)}
    assert classes - {Measured} == {type(example.measured) for example in EXAMPLES}


@pytest.mark.parametrize("kind", KINDS)
def test_cases_of_causes_ask_for_numbers_that_there_are(kind: str) -> None:
    for case in kind_of(kind).bench.get("when", ()):
        for name in case.get("evidence", {}):
            assert all(name in names_of(example.measured) for example in EXAMPLES if example.kind == kind)


def test_evidence_is_what_is_known() -> None:
    for example in EXAMPLES:
        numbers = example.measured
        assert set(numbers.evidence()) <= set(names_of(numbers))
        assert all(value is not None for value in numbers.evidence().values())
        assert numbers.evidence() == {
            n: getattr(numbers, n) for n in names_of(numbers) if getattr(numbers, n) is not None
        }
        assert set(example.with_unknown().evidence()) <= set(numbers.evidence())


def test_a_kind_of_a_later_version_is_its_own_name() -> None:
    assert name_of("no-such-kind") == "no-such-kind"
    with pytest.raises(KeyError):
        kind_of("no-such-kind")
