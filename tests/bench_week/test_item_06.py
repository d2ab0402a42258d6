"""Halves are those of the recording until the recorder's polarity is stated; the README's table is the program's."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import jsonschema
import pytest

import listen
from listen.findings.words import words
from listen.report import check_document, check_page, check_schema
from listen.report.comparing import compare_document, compare_documents, compare_page, compare_schema
from listen.report.page import check_page_bytes
from listen.report.page.compare_page import compare_page_bytes
from listen.watch.passing import PassingFindings

ROOT = Path(__file__).resolve().parents[2]
FAULTY, MENDED = "sine-board-unequal-supplies.wav", "sine-board-mended.wav"
BENCH = "[build]\nsupply_v = [-12.0, 12.0]\n[capture]\nvolts_per_full_scale = 8.0\n"
ASSUMED = "assuming that the recorder does not invert"
AS_THE_CIRCUITS = re.compile(r"\b(positive|negative) (half|crest|tip|one)\b")
OF_THE_RECORDING = re.compile(r"\b(upper|lower) (half|crest|tip)\b")
SIDED = re.compile(r"(positive|negative) (supply )?rail|V above the highest crest|clips at")


def checked(folder: Path, take: str, bench: str) -> listen.CheckResult:
    folder.mkdir(exist_ok=True)
    shutil.copy(ROOT / "fixtures" / take, folder / take)
    (folder / "bench.toml").write_text(bench)
    return listen.check(folder / take)


@pytest.fixture(scope="module")
def takes(tmp_path_factory) -> dict[str, tuple[listen.CheckResult, listen.CheckResult]]:
    """The faulty and the mended board, by what the bench file says of the recorder."""
    root = tmp_path_factory.mktemp("polarity")
    stated = {"unknown": "", "upright": "inverted = false\n", "inverted": "inverted = true\n"}
    return {
        name: (checked(root / name, FAULTY, BENCH + line), checked(root / name, MENDED, BENCH + line))
        for name, line in stated.items()
    }


def all_texts(pair: tuple[listen.CheckResult, listen.CheckResult]) -> dict[str, str]:
    """Whatever a person reads of the two takes, each as one line of words."""
    documents = [check_document(result) for result in pair]
    comparison = compare_documents(*documents)
    finding = documents[0]["findings"][0]
    told = {
        "terminal": check_page(pair[0]).replace("│", " "),
        "page and sheet": re.sub(r"<[^>]*>", " ", check_page_bytes(pair[0]).decode()),
        "compare": compare_page(comparison).replace("│", " "),
        "compare's page": re.sub(r"<[^>]*>", " ", compare_page_bytes(comparison, pair).decode()),
        "document": " ".join([finding["sentence"], documents[0]["headline"], *finding["likely_causes"]]),
    }
    return {name: " ".join(text.split()) for name, text in told.items()}


def test_until_the_polarity_is_stated_a_half_is_that_of_the_recording(takes) -> None:
    for name, text in all_texts(takes["unknown"]).items():
        assert not AS_THE_CIRCUITS.search(text), name
        assert "upper half of the recording" in text, name
        for sided in SIDED.finditer(text):
            assert ASSUMED in text[sided.start() : sided.end() + 110], (name, text[sided.start() :][:160])


@pytest.mark.parametrize(
    ("stated", "half", "other"), [("upright", "positive", "negative"), ("inverted", "negative", "positive")]
)
def test_where_it_is_stated_the_half_is_the_circuits(takes, stated, half, other) -> None:
    for name, text in all_texts(takes[stated]).items():
        assert not OF_THE_RECORDING.search(text), name
        assert f"{half} half" in text, name
        assert ASSUMED not in text, name
        assert f"{other} supply rail" not in text, name


def test_the_document_keeps_the_half_of_the_samples_with_half_known_beside_it(takes) -> None:
    halves = {"unknown": ("positive", False), "upright": ("positive", True), "inverted": ("negative", True)}
    for stated, (half, known) in halves.items():
        documents = [check_document(result) for result in takes[stated]]
        jsonschema.validate(documents[0], check_schema())
        finding = documents[0]["findings"][0]
        assert (finding["half"], finding["half_known"]) == (half, known)
        assert documents[0]["capture"]["inverted"] == {"unknown": None, "upright": False, "inverted": True}[stated]
        compared = compare_document(compare_documents(*documents))
        jsonschema.validate(compared, compare_schema())
        first = compared["findings"][0]
        assert (first["half_before"], first["half_known_before"], first["half_known_after"]) == (half, known, None)


def test_what_arises_while_watching_names_the_half_alike(takes) -> None:
    for stated, said in (("unknown", "upper half of the recording"), ("upright", "positive half")):
        changes = PassingFindings(takes[stated][0].capture.path, {}).take(9.0, takes[stated][0].findings)
        (arisen,) = (change for change in changes if change.kind == "asymmetric-clipping")
        assert said in arisen.sentence


def test_not_shown_names_the_polarity_only_where_a_half_was_named(takes) -> None:
    asked = {name: [any("inverts" in item.why for item in r.not_shown) for r in pair] for name, pair in takes.items()}
    assert asked == {"unknown": [True, False], "upright": [False, False], "inverted": [False, False]}


def test_the_readmes_table_of_what_is_not_shown_is_the_programs() -> None:
    text = (ROOT / "README.md").read_text("utf-8").split("| the take lacks | what it cannot show |")[1].split("\n\n")[0]
    lacking = [line.split("|")[1].strip() for line in text.splitlines()[2:]]
    rows = {
        "silence and power on": "full-swing",
        "quick moves, each with a rest": "no-retune",
        "rests": "no-rest",
        "rests without steps, wind or handling": "disturbed",
        "the turn": "one-note",
        "a high enough rate": "band",
        "a known polarity": "polarity",
        "a recorder clearly better than the board": "recorder",
        "a recorder without hum of its own": "recorder-hum",
    }
    assert lacking == list(rows)
    assert {*rows.values(), "nothing"} == set(words()["not_shown"])
