"""Files written all or nothing, and read up to a limit."""

from __future__ import annotations

import errno
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from runtime.errors import FormatError, UsageError
from runtime.files import read_limited, write_whole


def test_a_written_file_holds_exactly_its_bytes_and_replaces_the_older(tmp_path: Path) -> None:
    """The newest content stands under the name, byte for byte, and nothing else in the folder."""
    path = tmp_path / "a.json"
    for content in (b"first, and longer\r\n", b"\x00\xff\n", b""):
        write_whole(path, content)
        assert path.read_bytes() == content
        assert list(tmp_path.iterdir()) == [path]


def test_the_bytes_are_on_the_disk_before_the_name_is_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The older file stands until the newer has been brought to the disk."""
    path = tmp_path / "a.json"
    path.write_bytes(b"old")
    seen = []
    monkeypatch.setattr(os, "fsync", lambda descriptor: seen.append(path.read_bytes()))
    write_whole(path, b"new")
    assert seen == [b"old"]
    assert path.read_bytes() == b"new"
    write_whole(path, b"newer", lasting=False)  # nobody waits for what can be made anew
    assert seen == [b"old"]
    assert path.read_bytes() == b"newer"


def test_a_full_disk_leaves_the_older_file_and_nothing_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the disk is full, one line says so, and the folder is as it was."""

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    path = tmp_path / "a.json"
    path.write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UsageError, match=r"a\.json: the file is not writable \(No space") as caught:
        write_whole(path, b"new")
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", ["missing/a.json", "file/a.json", "folder", "n" * 250])
def test_a_name_that_cannot_be_written_is_one_clear_line(tmp_path: Path, name: str) -> None:
    """A missing folder, a file in its place, a folder of that name, and a name too long."""
    (tmp_path / "file").touch()
    (tmp_path / "folder" / "inner").mkdir(parents=True)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(UsageError, match="not writable"):
        write_whole(tmp_path / name, b"new")
    assert sorted(tmp_path.rglob("*")) == before


def test_writers_of_one_file_do_not_mix_their_bytes(tmp_path: Path) -> None:
    """Of many threads that write one name, one wins whole."""
    path = tmp_path / "a.bin"
    contents = [bytes([k]) * 50_000 for k in range(8)]
    with ThreadPoolExecutor(4) as pool:
        for done in [pool.submit(write_whole, path, content) for content in contents]:
            done.result()
    assert path.read_bytes() in contents
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_is_read_up_to_its_limit(tmp_path: Path) -> None:
    """A file of exactly the limit is read; one byte more is refused."""
    path = tmp_path / "a.tsv"
    path.write_bytes(b"12345")
    assert read_limited(path, 5) == b"12345"
    with pytest.raises(FormatError, match="too long, expected at most 4 bytes"):
        read_limited(path, 4)


def test_a_file_that_cannot_be_read_is_one_clear_line(tmp_path: Path) -> None:
    """A missing file, and a folder in its place, are told by name."""
    with pytest.raises(UsageError, match=r"gone: the file is unreadable \(No such file"):
        read_limited(tmp_path / "gone")
    with pytest.raises(UsageError, match="unreadable"):
        read_limited(tmp_path)
