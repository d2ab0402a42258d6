"""``scripts/fuzz --guided TARGET --runs 100000``: input that grows toward code that none has reached yet.

It needs atheris (``pip install atheris``; Linux and macOS), which is no dependency. What fails is written to the folder
that it names at its end; a small form of it belongs into `test_past_failures.py`.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

REPO = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPO))
ROOMS = ["listen.bench", "listen.calibration", "listen.report", "listen.findings", "tomllib"]

with atheris.instrument_imports(include=ROOMS):
    from listen.bench import load_bench
    from listen.calibration import parse_steps, parse_values, read_steps_file
    from listen.errors import LONGEST_LINE, ListenError
    from listen.findings import load_limits
    from listen.report import check_schema
    from listen.report.comparing import compare_document, compare_documents, compare_page
    from listen.report.reading import DocumentFault, hold_to_schema, parse_document
    from tests.fuzz.targets import BENCH, LIMITS, STEPS, STEPS_CSV

DOCUMENT = REPO / "tests" / "data" / "check-of-the-version-before.json"


def _from_file(read: Callable[[Path], object], folder: Path) -> Callable[[bytes], object]:
    path = folder / "input"

    def run(data: bytes) -> object:
        path.write_bytes(data)
        return read(path)

    return run


def _document(data: bytes) -> None:
    try:
        document = parse_document(data)
        hold_to_schema(document, check_schema())
    except DocumentFault:
        return
    whole = json.loads(DOCUMENT.read_bytes())
    for comparison in (compare_documents(document, whole), compare_documents(whole, document)):
        json.dumps(compare_document(comparison), allow_nan=False)
        compare_page(comparison)


def _steps(data: bytes) -> None:
    text = data.decode("utf-8", "surrogateescape")
    if ":" in text:
        parse_steps(text)
    else:
        parse_values(text, "--cv-values")


def targets(folder: Path) -> dict[str, tuple[Callable[[bytes], object], tuple[bytes, ...]]]:
    """What can be run, each with valid input to begin with."""
    return {
        "bench": (_from_file(load_bench, folder), (BENCH,)),
        "limits": (_from_file(lambda path: load_limits(path, gain_control=None, wave="sine"), folder), (LIMITS,)),
        "csv": (_from_file(read_steps_file, folder), STEPS_CSV),
        "steps": (_steps, tuple(text.encode() for text in STEPS)),
        "document": (_document, (DOCUMENT.read_bytes(),)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=["bench", "limits", "csv", "steps", "document"])
    parser.add_argument("--runs", type=int, default=100_000)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="guided-"))
    run, begin = targets(folder)[options.target]
    corpus = folder / "corpus"
    corpus.mkdir()
    for i, data in enumerate(begin):
        (corpus / str(i)).write_bytes(data)

    def once(data: bytes) -> None:
        try:
            run(data)
        except ListenError as error:
            said = str(error)
            if len(said) > LONGEST_LINE - len("listen: ") or not said.isprintable():
                raise RuntimeError(said) from error

    words = [sys.argv[0], str(corpus), f"-runs={options.runs}", "-timeout=2", "-rss_limit_mb=500", "-max_len=20000"]
    atheris.Setup([*words, f"-artifact_prefix={folder}/"], once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
