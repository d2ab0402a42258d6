"""Which files of a folder are takes, in which order, and what cannot hang or stop the walk."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from listen.api.gathering import SOUND_ENDINGS, gather
from listen.errors import CaptureError, OptionError


def touch(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def labels(*paths: Path | str, **settings: list[str]) -> list[str]:
    return [found.label for found in gather([os.fspath(path) for path in paths], **settings)]


def test_files_come_before_folders_and_numbers_by_their_size(tmp_path: Path) -> None:
    touch(tmp_path, "take 10.wav", "Take 2.flac", "a/3.aiff", "A2/1.wav", "a10/1.wav", "zero.WAV", "b.wav")
    order = ["b.wav", "Take 2.flac", "take 10.wav", "zero.WAV", "a/3.aiff", "A2/1.wav", "a10/1.wav"]
    assert labels(tmp_path) == [name.replace("/", os.sep) for name in order]


def test_only_sound_files_that_are_not_hidden(tmp_path: Path) -> None:
    touch(tmp_path, "a.wav", ".a.wav", "._a.wav", ".hidden/b.wav", "notes.txt", "a.json", "bench.toml", "wav", "a.mat")
    (tmp_path / "folder.wav").mkdir()
    assert labels(tmp_path) == ["a.wav"]


def test_every_kind_of_file_that_the_library_reads_has_its_ending() -> None:
    usual = {"WAV", "WAVEX", "AIFF", "AU", "CAF", "FLAC", "RF64", "W64", "OGG", "MP3", "SD2", "VOC", "AVR", "HTK"}
    endings = {"WAVEX": "wav", "OGG": "ogg", "MPEG": "mp3", "MPC2K": "mpc", "SVX": "8svx", "IRCAM": "sf"}
    not_by_ending = {"MAT4", "MAT5", "RAW"}
    known = set(soundfile.available_formats())
    assert len(known & usual) > 10
    missing = {kind for kind in known - not_by_ending if f".{endings.get(kind, kind.lower())}" not in SOUND_ENDINGS}
    assert missing == set()


def test_what_this_tool_wrote_is_left_out(tmp_path: Path) -> None:
    touch(tmp_path, "take.wav", "take-second.wav", "take-residue.wav", "take-pure.wav", "lonely-second.wav")
    touch(tmp_path, "stairs.wav", "stairs.steps.csv", "mine.wav", "mine.steps.csv", "pages/old.wav")
    (tmp_path / "stairs.steps.csv").write_text("start_s,end_s,cv_v\n0,1,0\n")
    skip = [os.fspath(tmp_path / "pages")]
    assert labels(tmp_path, skip=skip) == ["lonely-second.wav", "mine.wav", "take.wav"]
    assert "take-second.wav" in labels(tmp_path / "take-second.wav")[0]


def test_results_may_go_into_the_folder_itself(tmp_path: Path) -> None:
    touch(tmp_path, "a.wav")
    assert labels(tmp_path, skip=[os.fspath(tmp_path)]) == ["a.wav"]


def test_what_is_named_twice_comes_once_and_in_the_order_of_the_call(tmp_path: Path) -> None:
    touch(tmp_path, "a/1.wav", "a/2.wav", "b/1.wav")
    named = [tmp_path / "b", tmp_path / "a" / "2.wav", tmp_path / "a", f"{tmp_path}/a/../b"]
    assert labels(*named) == [os.fspath(tmp_path / name) for name in ("b/1.wav", "a/2.wav", "a/1.wav")]


def test_a_file_is_taken_whatever_it_is_called(tmp_path: Path) -> None:
    touch(tmp_path, "odd.bin")
    assert labels(tmp_path / "odd.bin", tmp_path / "missing.wav") == [
        os.fspath(tmp_path / name) for name in ("odd.bin", "missing.wav")
    ]


def test_a_loop_of_links_ends(tmp_path: Path) -> None:
    touch(tmp_path, "a/1.wav", "elsewhere/2.wav")
    (tmp_path / "a" / "up").symlink_to(tmp_path)
    (tmp_path / "a" / "self").symlink_to(tmp_path / "a")
    (tmp_path / "a" / "linked").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "a" / "round.wav").symlink_to(tmp_path / "a" / "round.wav")
    (tmp_path / "a" / "gone.wav").symlink_to(tmp_path / "nowhere.wav")
    assert labels(tmp_path / "a") == ["1.wav", "gone.wav", "round.wav", "linked/2.wav"]


def test_a_pipe_in_a_folder_is_passed_over_and_one_that_is_named_is_refused(tmp_path: Path) -> None:
    touch(tmp_path, "a.wav")
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "device.wav").symlink_to(os.devnull)
    assert labels(tmp_path) == ["a.wav"]
    with pytest.raises(OptionError, match=r"pipe\.wav cannot be checked among many"):
        gather([os.fspath(tmp_path), os.fspath(tmp_path / "pipe.wav")])
    with pytest.raises(OptionError, match="standard input"):
        gather([os.fspath(tmp_path), "-"])


def test_a_folder_that_cannot_be_looked_into_is_told_and_the_rest_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    touch(tmp_path, "a/1.wav", "b/2.wav", "c/3.wav")
    scandir = os.scandir

    def guarded(path: str) -> Iterator[os.DirEntry[str]]:
        if os.fspath(path).endswith("b"):
            raise PermissionError(13, "Permission denied", path)
        return scandir(path)

    monkeypatch.setattr(os, "scandir", guarded)
    found = gather([os.fspath(tmp_path)])
    assert [item.label for item in found] == ["a/1.wav", "b", "c/3.wav"]
    assert found[1].error == "the folder cannot be looked into (permission denied)"


def test_no_take_at_all_is_said(tmp_path: Path) -> None:
    touch(tmp_path, "notes.txt")
    with pytest.raises(CaptureError, match="holds no sound file"):
        gather([os.fspath(tmp_path)])
    with pytest.raises(CaptureError, match="and 1 more: holds no sound file"):
        gather([os.fspath(tmp_path)] * 2)
    touch(tmp_path, "full/a.wav", "none/a.txt")
    found = gather([os.fspath(tmp_path / "none"), os.fspath(tmp_path / "full")])
    assert [bool(item.error) for item in found] == [True, False]


def test_many_files_in_deep_folders(tmp_path: Path) -> None:
    deep = "/".join(["d"] * 60)
    touch(tmp_path, *(f"{i}.wav" for i in range(1500)), f"{deep}/last.wav")
    found = labels(tmp_path)
    assert found[:1500] == [f"{i}.wav" for i in range(1500)]
    assert found[1500:] == [f"{deep}/last.wav"]
