"""Many takes: the same rows whoever checks them, one that fails stops none, and what was done is not done again."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from listen.api import result_cache, workers
from listen.api.checking import check
from listen.api.gathering import gather
from listen.api.many import Many, check_many
from listen.errors import OptionError
from listen.report import tool_version
from tests.api import many_takes

SETTINGS: dict[str, Any] = dict.fromkeys(("channel", "wave", "bench", "limits", "gain_control", "start_s", "end_s"))


def many(folder: Path, changes: dict[str, Any] | None = None, **options: Any) -> Many:
    return check_many(gather([os.fspath(folder)]), settings={**SETTINGS, **(changes or {})}, documents=True, **options)


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Good takes, with a broken, a silent, a cut and an empty one among them."""
    folder = many_takes.some_takes(tmp_path_factory.mktemp("mixed"))
    (folder / "broken.wav").write_bytes(b"RIFF\x24\x00\x00\x00WAVE")
    (folder / "empty.wav").write_bytes(b"")
    many_takes.tone(folder / "monday" / "quiet.wav", 1e-9)
    shutil.copy(folder / "take 1.wav", folder / "monday" / "take 1.wav")
    (folder / "monday" / "bench.toml").write_text('[build]\nwave = "triangle"\n')
    many_takes.tone(folder / "tuesday" / "take.wav")
    (folder / "tuesday" / "bench.toml").write_text("[build]\nwawe = 1\n")
    return folder


@pytest.fixture(scope="module")
def by_one(mixed: Path) -> Many:
    return many(mixed, workers=1)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    ) as local:
        yield local


def test_each_row_is_what_a_check_of_the_take_alone_says(mixed: Path, by_one: Many) -> None:
    alone = check(mixed / "take 3.wav")
    row = next(row for row in by_one.rows if row.label == "take 3.wav")
    assert (row.outcome, row.worst) == (alone.verdict, "a lopsided wave")
    assert row.f0_low_hz == alone.summary["f0_low_hz"]
    assert alone.findings[0].kind == json.loads(row.document or b"")["findings"][0]["kind"]


def test_what_cannot_be_checked_has_its_row_and_its_reason(by_one: Many) -> None:
    told = {row.label: row for row in by_one.rows}
    assert {label for label, row in told.items() if row.error} == {"broken.wav", "empty.wav", "tuesday/take.wav"}
    assert "no sound file" in str(told["broken.wav"].error)
    assert "0 bytes" in str(told["empty.wav"].error)
    assert 'did you mean "wave"' in str(told["tuesday/take.wav"].error)
    assert not any("\n" in str(row.error) or row.path in str(row.error) for row in by_one.rows)
    assert told["monday/quiet.wav"].outcome == "fault"
    assert json.loads(told["monday/take 1.wav"].document or b"")["settings"]["wave"] == "triangle"


def test_two_workers_give_the_same_rows_to_the_last_digit(mixed: Path, by_one: Many) -> None:
    assert many(mixed, workers=2) == by_one
    assert many(mixed) == by_one


def test_a_cluster_gives_the_same_rows_to_the_last_digit(mixed: Path, by_one: Many, cluster: Any) -> None:
    assert many(mixed, cluster=cluster.scheduler_address) == by_one


def test_a_take_that_kills_its_worker_has_its_row_and_stops_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    many_takes.some_takes(tmp_path)
    shutil.copy(tmp_path / "take 1.wav", tmp_path / "deadly.wav")
    shutil.copy(tmp_path / "take 1.wav", tmp_path / "take 3 deadly.wav")
    monkeypatch.setattr(workers, "check_task", many_takes.deadly)
    rows = many(tmp_path, workers=2).rows
    assert [row.label for row in rows if row.error] == ["deadly.wav", "take 3 deadly.wav"]
    assert all(str(row.error).startswith("its worker was killed") for row in rows if "deadly" in row.label)
    assert len(rows) == 8


def test_a_worker_that_is_killed_from_outside_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many_takes.some_takes(tmp_path, 8)
    (tmp_path / "mark").touch()
    monkeypatch.setattr(workers, "check_task", many_takes.deadly_once)
    rows = many(tmp_path, workers=2).rows
    assert not (tmp_path / "mark").exists()
    assert [row.error for row in rows] == [None] * 8


def test_a_take_that_kills_the_workers_of_a_cluster_has_its_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cluster: Any
) -> None:
    many_takes.some_takes(tmp_path, 3)
    shutil.copy(tmp_path / "take 1.wav", tmp_path / "deadly.wav")
    monkeypatch.setattr(workers, "check_task", many_takes.deadly)
    rows = many(tmp_path, cluster=cluster.scheduler_address).rows
    assert [row.label for row in rows if row.error] == ["deadly.wav"], [row.error for row in rows]


def test_a_fault_of_our_own_is_a_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many_takes.some_takes(tmp_path, 2)
    monkeypatch.delenv("LISTEN_TRACEBACK", raising=False)
    monkeypatch.setattr("listen.report.document.check_document", lambda _result: 1 / 0)
    rows = many(tmp_path, workers=1).rows
    assert all("fault of listen itself (ZeroDivisionError" in str(row.error) for row in rows)


def test_workers_have_one_thread_for_linear_algebra_whatever_was_set(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "4")
    monkeypatch.setattr(workers, "check_task", _environment)
    tasks = [workers.Task(index=i, path="", settings={}) for i in range(3)]
    told = {done.error for done in workers.check_all(tasks, workers=2)}
    assert told == {"1"}


def _environment(task: workers.Task) -> workers.Done:
    return workers.Done(index=task.index, error=os.environ["OPENBLAS_NUM_THREADS"])


def test_as_many_workers_as_cores_that_may_be_used() -> None:
    assert workers.worker_count() == len(os.sched_getaffinity(0))


# What was done before


@pytest.fixture
def takes(tmp_path: Path) -> Path:
    return many_takes.some_takes(tmp_path / "takes", 3)


def test_what_is_kept_is_not_done_again_and_says_the_same(takes: Path, tmp_path: Path) -> None:
    (takes / "broken.wav").write_bytes(b"RIFF")
    first = many(takes, workers=1, keep=tmp_path / "kept")
    again = many(takes, workers=1, keep=tmp_path / "kept")
    assert (first.from_before, again.from_before) == (0, 3)
    assert again.rows == first.rows


@pytest.mark.parametrize(
    "changes", [{"wave": "any"}, {"channel": 1}, {"start_s": 0.1}, {"end_s": 0.9}, {"gain_control": "lamp"}]
)
def test_another_option_is_checked_anew(takes: Path, tmp_path: Path, changes: dict[str, Any]) -> None:
    many(takes, workers=1, keep=tmp_path / "kept")
    assert many(takes, changes, workers=1, keep=tmp_path / "kept").from_before == 0


def test_what_changed_is_checked_anew(takes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep = tmp_path / "kept"
    many(takes, workers=1, keep=keep)
    # Other contents, the same size and the same time: only the digest tells.
    path = takes / "take 1.wav"
    before = path.stat()
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert many(takes, workers=1, keep=keep).from_before == 2
    os.utime(takes / "take 2.wav")
    assert many(takes, workers=1, keep=keep).from_before == 2
    (takes / "bench.toml").write_text('[build]\nwave = "any"\n')
    assert many(takes, workers=1, keep=keep).from_before == 0
    (takes / "bench.toml").write_text('[build]\nwave = "sine"\n')
    assert many(takes, workers=1, keep=keep).from_before == 0
    assert many(takes, workers=1, keep=keep).from_before == 3
    limits = tmp_path / "limits.toml"
    limits.write_text("[level-drift]\nattention = 2.0\n")
    assert many(takes, {"limits": limits.as_posix()}, workers=1, keep=keep).from_before == 0
    limits.write_text("[level-drift]\nattention = 2.1\n")
    assert many(takes, {"limits": limits.as_posix()}, workers=1, keep=keep).from_before == 0
    monkeypatch.setattr(result_cache, "tool_version", lambda: tool_version() + ".1")
    assert many(takes, {"limits": limits.as_posix()}, workers=1, keep=keep).from_before == 0


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b"{}", b'{"schema": "listen.kept/1"}', b"\xff\xfe", b"null"])
def test_a_damaged_result_is_made_again(takes: Path, tmp_path: Path, damage: bytes) -> None:
    first = many(takes, workers=1, keep=tmp_path / "kept")
    for file in (tmp_path / "kept").iterdir():
        file.write_bytes(damage)
    again = many(takes, workers=1, keep=tmp_path / "kept")
    assert (again.from_before, again.rows) == (0, first.rows)
    assert many(takes, workers=1, keep=tmp_path / "kept").from_before == 3


@pytest.mark.parametrize(
    ("was", "is_now"),
    [(b'"duration_s": 1.0', b'"duration_s": 2.0'), (b"listen.kept/1", b"listen.kept/2"), (b"}", b"} ")],
)
def test_an_edited_result_is_made_again(takes: Path, tmp_path: Path, was: bytes, is_now: bytes) -> None:
    first = many(takes, workers=1, keep=tmp_path / "kept")
    for file in (tmp_path / "kept").iterdir():
        assert was in file.read_bytes()
        file.write_bytes(file.read_bytes().replace(was, is_now, 1))
    again = many(takes, workers=1, keep=tmp_path / "kept")
    assert (again.from_before, again.rows) == (0, first.rows)


def test_a_pipe_or_a_link_where_a_result_is_kept_gives_way(takes: Path, tmp_path: Path) -> None:
    first = many(takes, workers=1, keep=tmp_path / "kept")
    diary = tmp_path / "diary.txt"
    diary.write_text("mine")
    pipe, link, _ = sorted((tmp_path / "kept").iterdir())
    pipe.unlink()
    os.mkfifo(pipe)
    link.unlink()
    link.symlink_to(diary)
    again = many(takes, workers=1, keep=tmp_path / "kept")
    assert (again.from_before, again.rows) == (1, first.rows)
    assert diary.read_text() == "mine"
    assert not link.is_symlink()
    assert many(takes, workers=1, keep=tmp_path / "kept").from_before == 3


def test_a_file_that_was_to_be_written_must_stand_as_it_was(takes: Path, tmp_path: Path) -> None:
    keep, frames = tmp_path / "kept", [tmp_path / f"{i}.csv" for i in range(3)]
    outputs = [{"frames": os.fspath(path)} for path in frames]
    many(takes, workers=1, keep=keep)
    assert many(takes, workers=1, keep=keep, outputs=outputs).from_before == 0
    assert many(takes, workers=1, keep=keep, outputs=outputs).from_before == 3
    frames[0].unlink()
    frames[1].write_text("something else")
    assert many(takes, workers=1, keep=keep, outputs=outputs).from_before == 1
    assert frames[1].read_text().startswith("time_s,f0_hz,")
    other = [{"frames": os.fspath(tmp_path / "other" / path.name)} for path in frames]
    (tmp_path / "other").mkdir()
    assert many(takes, workers=1, keep=keep, outputs=other).from_before == 0
    assert many(takes, workers=1, keep=keep).from_before == 3


def test_the_same_place_by_another_name_is_kept_under_the_name_of_now(
    takes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    many(takes, workers=1, keep=tmp_path / "kept")
    monkeypatch.chdir(tmp_path)
    again = many(Path("takes"), workers=1, keep="kept")
    assert again.from_before == 3
    assert json.loads(again.rows[0].document or b"")["capture"]["path"] == os.path.join("takes", "take 1.wav")


def test_progress_goes_from_what_is_there_to_all(takes: Path, tmp_path: Path) -> None:
    told: list[float] = []
    many(takes, workers=1, keep=tmp_path / "kept", progress=told.append)
    assert told == [0.0, 1 / 3, 2 / 3, 1.0]
    told.clear()
    many(takes, workers=2, keep=tmp_path / "kept", progress=told.append)
    assert told == [1.0]


def test_a_cluster_that_does_not_answer_is_said_soon(takes: Path) -> None:
    pytest.importorskip("distributed")
    start_s = time.monotonic()
    with pytest.raises(OptionError, match="no cluster answers at 'localhost:9'"):
        many(takes, cluster="localhost:9")
    assert time.monotonic() - start_s < 20.0


def test_a_cluster_without_workers_is_said(takes: Path) -> None:
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=":0", silence_logs=50) as local,
        pytest.raises(OptionError, match="has no workers"),
    ):
        many(takes, cluster=local.scheduler_address)


def test_threads_are_shared_out_and_change_nothing(takes: Path) -> None:
    tasks = [workers.Task(index=0, path=os.fspath(takes / "take 3.wav"), settings=SETTINGS)]
    one = next(workers.check_all(tasks, workers=1))
    assert next(workers.check_all([replace(tasks[0], threads=2)], workers=1)) == one
