"""A folder to rows: bad photos, copies, going on, progress, worker processes that die."""

import math
import time

import pytest
from batch_work import long_after_the_first, measure

from fruitcount.errors import BadInputError, RecordError
from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.photos import find_photos, settings_key
from fruitcount.tree.run import BatchSettings, run_batch


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "photos"
    for name, data in {
        "a/1.jpg": b"one", "a/2.JPG": b"three", "b/3.heic": b"broken", "b/copy.png": b"one",
        "b/deep/4.webp": b"bug", "b/notes.txt": b"x", ".hidden/5.jpg": b"x", "6.tif": b"seven..",
    }.items():  # fmt: skip
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return root


SERIAL = BatchSettings(engine="serial")


def test_finds_photos_below(folder):
    (folder / "b" / "round").symlink_to(folder, target_is_directory=True)
    names = [p.relative_to(folder).as_posix() for p in find_photos(folder)]
    assert names == ["6.tif", "a/1.jpg", "a/2.JPG", "b/3.heic", "b/copy.png", "b/deep/4.webp"]
    with pytest.raises(BadInputError, match="nowhere"):
        find_photos(folder / "nowhere")


@pytest.mark.parametrize("engine", ["serial", "processes"])
def test_one_row_a_photo(folder, tmp_path, engine):
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    seen = []
    result = run_batch(
        find_photos(folder), measure, progress_log=progress_log,
        settings=BatchSettings(engine=engine), progress=seen.append,
    )  # fmt: skip
    rows = {r["file"].split("photos/")[1]: r for r in result.rows(progress_log)}
    assert len(rows) == 6
    assert rows["a/1.jpg"]["count_n"] == 3
    assert rows["a/1.jpg"]["size"] is None
    assert rows["b/copy.png"]["same_as"].endswith("a/1.jpg")
    assert rows["b/3.heic"]["ok"] is False
    assert "cut short" in rows["b/3.heic"]["problem"]
    assert rows["b/deep/4.webp"]["problem"] == "ZeroDivisionError: oops"
    last = seen[-1]
    assert (last.done_n, last.total_n, last.skipped_n, last.bad_n) == (6, 6, 1, 2)
    assert last.left_s == 0
    assert [p.done_n for p in seen] == [1, 2, 3, 4, 5, 6]
    assert sum(math.isfinite(p.left_s) for p in seen) >= 5
    progress_log.close()


def test_nothing_is_done_twice(folder, tmp_path):
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    run_batch(find_photos(folder)[:3], measure, progress_log=progress_log, settings=SERIAL)
    progress_log.close()
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    done = []

    def watch(path):
        done.append(path)
        return measure(path)

    result = run_batch(find_photos(folder), watch, progress_log=progress_log, settings=SERIAL)
    assert [p.rsplit("/", 1)[1] for p in done] == ["3.heic", "4.webp"]
    assert len(list(result.rows(progress_log))) == 6
    progress_log.close()
    other = ProgressLog(tmp_path / "rows.jsonl", "other settings")
    assert other.done() == set()
    other.close()


def test_a_photo_that_kills_its_worker_is_a_row(folder, tmp_path):
    (folder / "a" / "1b.jpg").write_bytes(b"killer")
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    result = run_batch(
        find_photos(folder), measure, progress_log=progress_log, settings=BatchSettings(workers=2)
    )
    rows = {r["file"].rsplit("/", 1)[1]: r for r in result.rows(progress_log)}
    assert "died" in rows["1b.jpg"]["problem"]
    assert rows["1.jpg"]["count_n"] == 3
    assert rows["6.tif"]["count_n"] == 7
    assert len(rows) == 7
    progress_log.close()


def test_workers_are_replaced(folder, tmp_path):
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    how = BatchSettings(workers=1, recycle_after=2)
    run_batch(find_photos(folder), measure, progress_log=progress_log, settings=how)
    assert len(progress_log.rows()) == 5
    progress_log.close()


def test_a_file_that_cannot_be_opened(folder, tmp_path):
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    files = [*find_photos(folder), folder / "gone.jpg"]
    rows = list(
        run_batch(files, measure, progress_log=progress_log, settings=SERIAL).rows(progress_log)
    )
    assert rows[-1]["problem"] == "cannot be opened"
    progress_log.close()


def test_ctrl_c_keeps_what_is_done(folder, tmp_path):
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")

    def stop(progress):
        if progress.done_n - progress.skipped_n == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_batch(
            find_photos(folder), measure, progress_log=progress_log, progress=stop,
            settings=BatchSettings(workers=2),
        )  # fmt: skip
    assert len(progress_log.rows()) == 2
    progress_log.close()


def test_ctrl_c_does_not_wait_for_the_photos_in_work(tmp_path):
    """Four photos of half a minute each lie with the workers when it is stopped."""
    for k in range(6):
        (tmp_path / f"{k}.jpg").write_bytes(b"%d" % k)
    progress_log = ProgressLog(tmp_path / "rows.jsonl", "k")
    stopped = []

    def stop(progress):
        stopped.append(time.monotonic())
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_batch(
            find_photos(tmp_path), long_after_the_first, progress_log=progress_log, progress=stop,
            settings=BatchSettings(workers=2),
        )  # fmt: skip
    assert time.monotonic() - stopped[0] < 10
    assert len(progress_log.rows()) == 1
    progress_log.close()


def test_a_line_cut_off_is_taken_off(tmp_path):
    path = tmp_path / "rows.jsonl"
    progress_log = ProgressLog(path, "k")
    progress_log.add("aa", {"ok": True})
    progress_log.close()
    with path.open("ab") as stream:
        stream.write(b'{"sha256": "bb", "sett')
    progress_log = ProgressLog(path, "k")
    assert progress_log.done() == {"aa"}
    assert progress_log.add("bb", {"ok": True})
    assert not progress_log.add("bb", {"ok": False})
    assert [r["sha256"] for r in progress_log.rows()] == ["aa", "bb"]
    with pytest.raises(RecordError, match="another batch"):
        ProgressLog(path, "k")
    progress_log.close()
    path.write_bytes(b"rubbish\n" + path.read_bytes())
    with pytest.raises(RecordError, match="line 1"):
        ProgressLog(path, "k")


def test_settings_key_minds_values_not_order():
    assert settings_key({"a": 1, "b": [2]}) == settings_key({"b": [2], "a": 1})
    assert settings_key({"a": 1}) != settings_key({"a": 2})


def test_settings_are_checked():
    with pytest.raises(BadInputError, match="engine"):
        BatchSettings(engine="threads")
    with pytest.raises(BadInputError, match="workers"):
        BatchSettings(workers=0)
