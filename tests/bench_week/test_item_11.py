"""The README's first screen and its order: set up, record, measure the chain, then what needs it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
FIRST_SCREEN = "\n".join(README.splitlines()[:24])


def test_the_first_screen_has_both_set_up_commands_and_how_to_type_the_next() -> None:
    for said in ("scripts/demo", "scripts/test", "Open a terminal", ".venv/bin/listen", ".venv/bin/activate"):
        assert said in FIRST_SCREEN, said
    for script in ("demo", "test"):
        assert (ROOT / "scripts" / script).stat().st_mode & 0o111


def test_the_licence_is_named_and_permissive() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["license"] == "MIT"
    assert "Licence: MIT (`LICENSE`)" in README
    assert (ROOT / "LICENSE").read_text("utf-8").startswith("MIT License\n")


def test_recording_takes_five_lines_and_comes_before_what_needs_a_take() -> None:
    heads = re.findall(r"^## (.+)$", README, re.MULTILINE)
    order = ["Record it", "Measure the recording chain, once", "Checking", "Before and after", "The bench file"]
    assert [head for head in heads if head in order] == order
    how = README.split("## Record it")[1].split("\n## ")[0]
    assert len([line for line in how.splitlines() if line.startswith("- ")]) == 5
    assert "arecord" in how


def test_setup_writes_where_a_check_of_the_builds_takes_finds_it() -> None:
    """The folder of the recorded take is the folder of the bench file."""
    (take,) = re.findall(r"^- Then `\.venv/bin/listen check (\S+)`\.$", README, re.MULTILINE)
    (bench,) = re.findall(r"\.venv/bin/listen setup --tone .* --write (\S+)", README)
    assert Path(bench).parent == Path(take).parent != Path()
    assert Path(bench).name == "bench.toml"


def test_what_the_readme_has_typed_is_typed_with_its_path() -> None:
    """A line to be typed has files and numbers; one that lists what may be given has brackets or capitals."""
    indented = [line[4:] for line in README.splitlines() if re.match(r" {4}(\.venv/bin/)?listen ", line)]
    typed = [line for line in indented if not re.search(r"\[|[A-Z]{4}|  ", line)]
    assert len(typed) >= 10
    assert [line for line in typed if not line.startswith(".venv/bin/listen ")] == []
