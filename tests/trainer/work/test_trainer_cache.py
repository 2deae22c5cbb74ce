"""Arrays kept on disk: found again, never believed, removed with whom they belong to."""

from __future__ import annotations

import hashlib
import hmac
import json
import pickle
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from runtime.errors import UsageError
from runtime.files import read_limited
from runtime.stages.bins import Bins
from trainer.corpus.recordings import Corpus, open_corpus, reduce_recording
from trainer.corpus.reduced import ReduceJob
from trainer.recipe import load_recipe
from trainer.work import cache as cache_room
from trainer.work.cache import Cache, fits_digest, open_cache, program_digest

OWN = bytes(32)
KEY, OTHER_KEY = "a" * 64, "b" * 64
VALUES = np.arange(600, dtype=np.int32).reshape(100, 6) - 300


def stored(folder: Path, key: str = KEY, session: str = "s", source: str = "1") -> Cache:
    cache = Cache(folder, OWN)
    cache.store({key: VALUES}, "P01", session, source)
    return cache


def test_what_was_stored_is_found_again(tmp_path: Path) -> None:
    """An array comes back with the same values, read-only, in as few bytes as hold them."""
    found = stored(tmp_path).load([KEY])
    assert found is not None
    array = found[0].read()
    np.testing.assert_array_equal(array, VALUES)
    assert array.dtype == np.int16 and not array.flags.writeable


@pytest.mark.parametrize("value", [2**15, -(2**15) - 1, 2**31 - 1])
def test_large_values_keep_their_width(tmp_path: Path, value: int) -> None:
    """One value beyond 16 bits, and the whole array is kept in 32."""
    large = np.array([[0, value]], dtype=np.int32)
    Cache(tmp_path, OWN).store({KEY: large}, "P01", "s", "1")
    found = Cache(tmp_path, OWN).load([KEY])
    assert found is not None
    np.testing.assert_array_equal(found[0].read(), large)


def test_a_damaged_file_is_never_believed(tmp_path: Path) -> None:
    """Cut at any byte, or with any bit turned over, a file counts as not there."""
    cache = stored(tmp_path)
    path = tmp_path / f"{KEY}.npy"
    whole = path.read_bytes()
    rng = np.random.default_rng(1)
    for cut in [0, 1, 9, 10, 127, 128, len(whole) - 1, *rng.integers(0, len(whole), 20)]:
        path.write_bytes(whole[:cut])
        assert cache.load([KEY]) is None
    for place in rng.integers(0, len(whole), 40):
        damaged = bytearray(whole)
        damaged[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(damaged)
        assert cache.load([KEY]) is None
    path.write_bytes(whole)
    assert cache.load([KEY]) is not None


def test_what_another_process_stores_is_found_and_kept(tmp_path: Path) -> None:
    """A cache that knows the index sees what others add to it, and writes none of it away."""
    cache = stored(tmp_path)
    stored(tmp_path, OTHER_KEY, "t")
    assert cache.load([KEY, OTHER_KEY]) is not None
    third = "c" * 64
    stored(tmp_path, third, "u")
    cache.store({"d" * 64: VALUES}, "P02", "v", "1")
    assert Cache(tmp_path, OWN).load([KEY, OTHER_KEY, third, "d" * 64]) is not None
    (tmp_path / "index.json").unlink()
    assert cache.load([KEY]) is None


def test_an_index_that_has_not_changed_is_not_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many arrays are looked for, the index is read once; another process reads its own."""
    stored(tmp_path)
    reads: list[Path] = []
    monkeypatch.setattr(
        "trainer.work.cache.read_limited",
        lambda path, most: reads.append(path) or read_limited(path, most),
    )
    cache = Cache(tmp_path, OWN)
    for _ in range(3):
        assert cache.load([KEY]) is not None
    assert len(reads) == 1
    sent = pickle.loads(pickle.dumps(cache))  # noqa: S301  # our own bytes, as joblib sends them
    assert sent.load([KEY]) is not None
    assert len(reads) == 2


def test_a_file_of_objects_is_never_opened(tmp_path: Path) -> None:
    """A pickle under a stored array's name is refused, even when the index vouches for it."""
    cache = stored(tmp_path)
    path = tmp_path / f"{KEY}.npy"
    with path.open("wb") as file:
        np.save(file, np.array([{"a": 1}], dtype=object), allow_pickle=True)
    index = json.loads((tmp_path / "index.json").read_text())
    named = path.name.encode() + hashlib.sha256(path.read_bytes()).digest()
    index[path.name]["seal"] = hmac.digest(OWN, named, "sha256").hex()
    (tmp_path / "index.json").write_text(json.dumps(index))
    assert cache.load([KEY]) is None


def test_what_somebody_else_has_made_is_not_believed(tmp_path: Path) -> None:
    """Arrays sealed with another key, or under another name, count as not there."""
    assert stored(tmp_path).load([KEY]) is not None
    assert Cache(tmp_path, b"another" * 5).load([KEY]) is None
    index = json.loads((tmp_path / "index.json").read_text())
    (tmp_path / f"{KEY}.npy").rename(tmp_path / f"{OTHER_KEY}.npy")
    text = json.dumps({f"{OTHER_KEY}.npy": index[f"{KEY}.npy"]})
    (tmp_path / "index.json").write_text(text)
    assert Cache(tmp_path, OWN).load([OTHER_KEY]) is None


def test_the_key_is_made_once_and_is_the_users_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first use makes a key that nobody else can read, and later uses find the same one."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    array = open_cache(tmp_path, "one").store({KEY: VALUES}, "P01", "s", "1")
    assert open_cache(tmp_path, "one").load([KEY]) == array
    path = tmp_path / "state" / "palmwatt" / "cache.key"
    assert path.stat().st_mode & 0o777 == 0o600 and len(path.read_bytes()) == 32
    assert [p.name for p in path.parent.iterdir()] == ["cache.key"]


def test_without_a_place_for_a_key_nothing_is_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no key can be kept, arrays serve one run, and the next makes them anew."""
    (tmp_path / "state").write_text("a file in the folder's place")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    cache = open_cache(tmp_path, "one")
    cache.store({KEY: VALUES}, "P01", "s", "1")
    assert cache.load([KEY]) is not None
    assert open_cache(tmp_path, "one").load([KEY]) is None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"x": 1}', f'{{"{KEY}.npy": {{"sha256": 3}}}}', "[" * 100_000]
)
def test_a_wrong_index_is_an_empty_one(tmp_path: Path, text: str) -> None:
    """Whatever the index holds, nothing is found by it, and the next array is stored again."""
    cache = stored(tmp_path)
    (tmp_path / "index.json").write_text(text)
    assert cache.load([KEY]) is None
    assert stored(tmp_path).load([KEY]) is not None


def test_older_arrays_of_the_same_session_go(tmp_path: Path) -> None:
    """A session that has changed leaves nothing of its older readouts; others stay."""
    stored(tmp_path, KEY, "one", "1")
    stored(tmp_path, OTHER_KEY, "two", "1")
    cache = stored(tmp_path, "c" * 64, "one", "2")
    assert cache.load([KEY]) is None and not (tmp_path / f"{KEY}.npy").exists()
    assert cache.load([OTHER_KEY]) is not None
    cache.remove("two")
    assert {p.name for p in tmp_path.iterdir()} == {"index.json", f"{'c' * 64}.npy"}


def test_the_index_says_whose_an_array_is(tmp_path: Path) -> None:
    """Each file stands in the index with its participant, so that it can be removed with them."""
    stored(tmp_path)
    index = json.loads((tmp_path / "index.json").read_text())
    assert index[f"{KEY}.npy"]["participant"] == "P01"


def test_many_may_store_at_the_same_time(tmp_path: Path) -> None:
    """Nothing is lost from the index when several write to it at once."""
    keys = [f"{n:064x}" for n in range(12)]
    threads = [threading.Thread(target=stored, args=(tmp_path, key, key, "1")) for key in keys]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Cache(tmp_path, OWN).load(keys) is not None


def test_a_file_that_changed_since_is_one_clear_error(tmp_path: Path) -> None:
    """A stored array that is gone, or another, by the time of its use is told by its path."""
    found = stored(tmp_path).load([KEY])
    assert found is not None
    with pytest.raises(UsageError, match="changed"):
        replace(found[0], shape=(3, 3)).read()
    found[0].path.unlink()
    with pytest.raises(UsageError, match=f"{KEY}.npy.*unreadable"):
        found[0].read()


def test_a_data_set_that_cannot_be_written_to_is_still_usable(tmp_path: Path) -> None:
    """Where the working folder cannot be made, the cache is a temporary one."""
    (tmp_path / "derivatives").write_text("a file in the folder's place")
    cache = open_cache(tmp_path, "reduced")
    assert tmp_path not in cache.folder.parents and cache.folder.is_dir()


def jobs_of(corpus: Corpus, bins: int) -> list[ReduceJob]:
    cache = open_cache(corpus.folder, "reduced")
    entry = Bins(corpus.sensor.n_rows, corpus.sensor.n_cols, bins, bins)
    return [ReduceJob(r, r.path.name, (entry,), cache) for r in corpus.recordings]


def test_two_entries_may_be_one_and_the_same(small_data: Path, small_recipe: Path) -> None:
    """A recipe that asks for four quadrants itself is reduced beside four quadrants."""
    job = jobs_of(open_corpus(small_data, load_recipe(small_recipe)), 2)[0]
    twice = replace(job, entries=(*job.entries, *job.entries)).run()
    assert [each.path for each in twice] == [twice[0].path, twice[1].path, twice[1].path]


def test_a_recording_is_reduced_once(
    small_data: Path, small_recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second look takes the outcome from the cache; another stage or other bytes do not."""
    corpus = open_corpus(small_data, load_recipe(small_recipe))
    first = jobs_of(corpus, 4)[0]
    frames, values = first.run()
    (expected,), times = reduce_recording(first.recording.path, first.entries)
    np.testing.assert_array_equal(values.read(), expected)
    np.testing.assert_array_equal(frames.read(), times)

    read = []
    monkeypatch.setattr(
        "trainer.corpus.reduced.reduce_recording",
        lambda *args: read.append(args) or reduce_recording(*args),
    )
    assert jobs_of(corpus, 4)[0].run() == [frames, values] and not read
    jobs_of(corpus, 1)[0].run()  # one bin, which no other test has kept beside these recordings
    assert len(read) == 1
    changed = first.recording.path.read_bytes()
    first.recording.path.write_bytes(changed + b"\x89MCAP0\r\n")
    jobs_of(open_corpus(small_data, load_recipe(small_recipe)), 4)[0].run()
    assert len(read) == 2


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A program of a few files, in the place of this one."""
    for room in ("runtime/budget/price", "runtime/stages", "trainer/learn", "capture/thin"):
        (tmp_path / room).mkdir(parents=True)
        (tmp_path / room / "code.py").write_text("value = 1\n", "utf-8")
    monkeypatch.setattr(cache_room.resources, "files", lambda package: tmp_path / package)
    return tmp_path


@pytest.mark.parametrize(
    ("room", "same"),
    [("runtime/budget/price", True), ("runtime/stages", False), ("trainer/learn", False),
     ("capture/thin", False)],
)  # fmt: skip
def test_fits_are_used_again_after_a_change_of_how_they_are_priced_and_of_nothing_else(
    program: Path, room: str, *, same: bool
) -> None:
    """What is kept of fits depends on the code they come from, and prices are no part of it."""
    fits, whole = fits_digest(), program_digest()
    (program / room / "code.py").write_text("value = 2\n", "utf-8")
    assert (fits_digest() == fits) is same
    assert program_digest() != whole
