"""A slice of all takes, for every run of the tests; `python -m tests.takes all` has the rest."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.takes import sounds
from tests.takes.class_single import pairs
from tests.takes.classes import CLASSES
from tests.takes.runs import Job, jobs_of, line_of, run_one

SLICE: tuple[tuple[str, str, int], ...] = (
    ("single", "asymmetric-clipping", 0),
    ("single", "slew-limiting", 0),
    ("single", "amplitude-bounce", 0),
    ("single", "pitch-instability", 0),
    ("single", "capture-gap", 0),
    ("pair", "level-drift/subharmonic", 0),
    ("pair", "slow-start/mains-hum", 0),
    ("pair", "amplitude-hunting/amplitude-bounce", 0),
    ("pair", "asymmetric-clipping/crossover-distortion", 0),
    ("pair", "slew-limiting/parasitic-oscillation", 0),
    ("alone-healthy", "diodes", 0),
    ("alone-healthy", "lamp", 0),
    ("powerup-hum", "50/near", 3),
    ("powerup-hum", "60/through", 0),
    ("bench", "knock-before", 0),
    ("bench", "hands-hum-heard", 0),
    ("bench", "brief-hum", 0),
    ("bench", "off-short", 0),
    ("bench", "noise-brown", 0),
    ("bench", "quiet-16-bit-flat", 0),
    ("room", "healthy/speech-before", 0),
    ("room", "fault/room-quiet", 0),
    ("foreign", "song", 0),
    ("foreign", "two-boards", 0),
    ("foreign", "pink-noise", 0),
    ("wrong", "channel", 0),
    ("wrong", "triangle-as-sine", 0),
    ("near", "amplitude-hunting/0.6", 0),
    ("high-sine", "swept/48000", 0),
    ("circuit", "wien-rail-one", 0),
)
"""Class, variant and seed of the takes that every run of the tests makes and checks."""


@pytest.mark.parametrize(("class_name", "variant", "seed"), SLICE)
def test_a_take_is_told_as_it_is(class_name: str, variant: str, seed: int, tmp_path: Path) -> None:
    if class_name == "room" and sounds.folder() is None:
        pytest.skip("no folder of recorded sounds on this machine")
    job = Job(class_name=class_name, variant=variant, seed=seed)
    outcome = run_one(job, tmp_path, only_make=False, threads=2)
    assert outcome.score is not None, line_of(outcome)
    assert outcome.score.right, line_of(outcome)


def test_the_slice_names_takes_that_exist() -> None:
    for class_name, variant, _seed in SLICE:
        known = CLASSES[class_name].variants()
        assert variant in known or (class_name == "room" and not known)


def test_all_pairs_are_there_but_those_that_no_recording_tells_apart() -> None:
    assert len(pairs()) == 18 * 17 // 2 - 3 - 2 - 10
    assert len(jobs_of(["pair"], range(2), "*/mains-hum")) + len(jobs_of(["pair"], range(2), "mains-hum/*")) == 2 * 17
