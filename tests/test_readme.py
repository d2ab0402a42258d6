"""The README is true: its commands print what it shows, its code runs, its table has the limits that are used.

``python -m tests.test_readme`` puts what the command prints now into the README.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
RENEW = "python -m tests.test_readme puts the new output in"
CONSOLE = re.compile(r"```console\n\$ (?P<command>[^\n]+)\n(?P<output>.*?)```", re.DOTALL)


def printed_by(command: str) -> tuple[int, str]:
    """Return the status and the output of a command line of ours, run in this process."""
    from listen.cli import main

    program, *arguments = shlex.split(command)
    assert program == ".venv/bin/listen"
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n")
    with contextlib.chdir(ROOT), contextlib.redirect_stdout(out):
        status = main(arguments)
    out.flush()
    return status, out.buffer.getvalue().decode()  # type: ignore[attr-defined]


def taken_apart(page: str) -> tuple[list[str], list[float]]:
    """Return the words of a page and its numbers, without the drawing."""
    plain = re.sub("[•█▏▎▍▌▋▊▉]", " ", page)
    number = r"(?<![A-G#\w])-?\d+(?:\.\d+)?"
    return re.sub(number, "0", plain).split(), [float(found) for found in re.findall(number, plain)]


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)


def test_the_command_prints_what_the_readme_shows() -> None:
    shown = list(CONSOLE.finditer(README.read_text(encoding="utf-8")))
    assert shown
    for example in shown:
        status, text = printed_by(example["command"])
        assert status == 1
        words, numbers = taken_apart(text)
        shown_words, shown_numbers = taken_apart(example["output"])
        assert words == shown_words, RENEW
        # Two per cent, or one in the last digit shown: another release of a numeric library may round the other way.
        assert numbers == pytest.approx(shown_numbers, rel=0.02, abs=0.011), RENEW
        assert max(map(len, text.splitlines())) <= 80


def test_the_code_runs(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    for code in blocks("python"):
        exec(compile(code, "README.md", "exec"), {})
    first = capsys.readouterr().out.splitlines()[0]
    assert re.fullmatch(r"asymmetric-clipping positive \d+ Hz", first)


def test_the_bench_file_and_the_limits_are_accepted(tmp_path: Path) -> None:
    from listen.bench import load_bench
    from listen.findings import load_limits

    bench_text, limits_text = blocks("toml")
    (tmp_path / "bench.toml").write_text(bench_text)
    (tmp_path / "limits.toml").write_text(limits_text)
    bench = load_bench(tmp_path / "bench.toml")
    assert (bench.build.gain_control, bench.capture.volts_per_full_scale) == ("diodes", 5.0)
    limits = load_limits(tmp_path / "limits.toml", gain_control=None)
    for kind, table in tomllib.loads(limits_text).items():
        for key, value in table.items():
            assert limits[kind][key] == value


def test_the_table_of_findings_has_every_kind_with_the_limits_that_are_used() -> None:
    from listen.findings import load_limits

    rows = {
        cells[0]: cells
        for line in README.read_text(encoding="utf-8").splitlines()
        if len(cells := [cell.strip() for cell in line.strip("|").split("|")]) == 4
    }
    for kind, table in load_limits(None, gain_control=None).items():
        assert kind in rows
        told = {float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", " ".join(rows[kind][1:3]))}
        for key, value in table.items():
            if not kind.startswith("capture-") and key not in ("shortest_s",):
                assert value in told, f"{kind}: {key} = {value}"


def test_every_option_is_in_the_readme_and_no_other() -> None:
    from listen.cli import build_parser
    from listen.cli.options import long_options

    text = README.read_text(encoding="utf-8")
    ours = long_options(build_parser())
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text)) <= ours
    assert ours - {"--help", "--version"} <= set(re.findall(r"--[a-z][a-z-]+", text))


def test_the_first_paragraph_states_the_job() -> None:
    title, paragraph, *_ = README.read_text(encoding="utf-8").split("\n\n")
    assert title == "# listen"
    for word in ("oscillator", "recording", "starts", "holds", "distorts", "half"):
        assert word in paragraph


def renew() -> None:
    """Put what each command prints now into the README."""
    text = README.read_text(encoding="utf-8")

    def renewed(example: re.Match[str]) -> str:
        _, output = printed_by(example["command"])
        return f"```console\n$ {example['command']}\n{output}```"

    README.write_text(CONSOLE.sub(renewed, text), encoding="utf-8")


if __name__ == "__main__":
    renew()
