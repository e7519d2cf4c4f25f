"""The spool: what was accepted is there until it is answered, in order, whatever happens in between."""

import errno
import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.sender.errors import SpoolBusyError, SpoolError, SpoolFullError
from app.sender.rejected import Rejected
from app.sender.spool import Record, Spool

MANY = 10_000
SOME_BYTES = 1_000_000
REJECTED = Rejected("2026-11-25T09:00:00+00:00", 1, None, "h2", "cannot be negative", '{"h2":-1}')
per_example = settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60
)


def sample(i: int) -> bytes:
    return b'{"taken_at":"2026-03-01T00:00:00Z","h2":%d}' % i


def texts(records: list[Record]) -> list[bytes]:
    return [record.payload for record in records]


def all_waiting(folder: Path) -> list[bytes]:
    with Spool(folder) as spool:
        return texts(spool.peek(MANY, 10**9))


def segment_files(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.samples"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "new" / "spool"


def test_what_is_appended_is_read_in_order_and_waits_until_it_is_answered(folder: Path) -> None:
    with Spool(folder) as spool:
        spool.append([sample(1), sample(2)])
        spool.append([sample(3)])
        assert texts(spool.peek(2, SOME_BYTES)) == [sample(1), sample(2)]
        assert texts(spool.peek(2, SOME_BYTES)) == [sample(1), sample(2)], "looking takes nothing away"
        spool.answered(spool.peek(2, SOME_BYTES))
        assert spool.waiting == 1
    with Spool(folder) as spool:
        assert spool.waiting == 1
        records = spool.peek(MANY, SOME_BYTES)
        assert [(r.number, r.payload) for r in records] == [(3, sample(3))]
        spool.answered(records)
    with Spool(folder) as spool:
        assert (spool.waiting, spool.peek(MANY, SOME_BYTES)) == (0, [])
        assert segment_files(folder) == []
        spool.append([sample(4)])
        assert spool.peek(1, SOME_BYTES)[0].number == 4, "numbers go on"


def test_a_batch_is_bounded_by_bytes_but_never_empty(folder: Path) -> None:
    with Spool(folder) as spool:
        spool.append([sample(i) for i in range(9)])
        assert len(spool.peek(MANY, 1)) == 1
        assert len(spool.peek(MANY, 3 * len(sample(1)))) == 3


def test_one_process_at_a_time(folder: Path) -> None:
    with Spool(folder), pytest.raises(SpoolBusyError, match="another process uses the spool"):
        Spool(folder)
    Spool(folder).close()


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SpoolError, match=r"cannot open the spool .*: Not a directory"):
        Spool(tmp_path / "file" / "spool")


def test_files_roll_and_are_removed_when_all_in_them_is_answered(folder: Path) -> None:
    with Spool(folder, most_bytes=40_000) as spool:
        for i in range(200):
            spool.append([sample(i)] * 2)
        assert len(segment_files(folder)) >= 2
        seen = []
        while records := spool.peek(7, SOME_BYTES):
            seen += texts(records)
            spool.answered(records)
        assert seen == [sample(i) for i in range(200) for _ in range(2)]
        assert len(segment_files(folder)) == 1


@settings(deadline=None, max_examples=80)
@given(
    steps=st.lists(st.tuples(st.sampled_from("aaarro"), st.integers(1, 30)), max_size=60),
    most_bytes=st.integers(3_000, 20_000),
)
def test_any_mix_of_appending_answering_and_reopening_is_a_queue(
    steps: list[tuple[str, int]], most_bytes: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Against a list: the same samples, in the same order, and full only when it holds much."""
    folder = tmp_path_factory.mktemp("spool")
    queue: list[bytes] = []
    count, spool = 0, Spool(folder, most_bytes)
    try:
        for step, size in steps:
            if step == "a":
                batch = [sample(count + i) for i in range(size)]
                count += size
                try:
                    spool.append(batch)
                    queue += batch
                except SpoolFullError:
                    assert queue or sum(map(len, batch)) + 30 * size > most_bytes // 2
            elif step == "r" and queue:
                records = spool.peek(size, SOME_BYTES)
                assert texts(records) == queue[:size]
                spool.answered(records)
                del queue[:size]
            elif step == "o":
                spool.close()
                spool = Spool(folder, most_bytes)
            assert spool.waiting == len(queue)
            assert texts(spool.peek(MANY, SOME_BYTES)) == queue
            assert sum(path.stat().st_size for path in segment_files(folder)) <= most_bytes
    finally:
        spool.close()


def test_a_long_run_that_keeps_up_uses_little_disk(folder: Path) -> None:
    with Spool(folder, most_bytes=8_000) as spool:
        for i in range(300):
            spool.append([sample(i)])
            records = spool.peek(9, SOME_BYTES)
            assert texts(records) == [sample(i)]
            spool.answered(records)
            assert len(segment_files(folder)) <= 1
            assert spool.used_bytes <= 2_100


def test_a_disk_smaller_than_a_file_is_worked_off_for_good(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All is answered, and what is answered must not keep the room that the next samples need."""
    room = 300_000  # of the disk; a file may grow to 4 MB
    write = os.write

    def limited(descriptor: int, content: bytes) -> int:
        used = sum(path.stat().st_size for path in folder.iterdir())
        if used + len(content) > room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, content)

    with Spool(folder) as spool:
        monkeypatch.setattr(os, "write", limited)
        for _ in range(3):
            with pytest.raises(SpoolFullError, match="No space left"):
                sum(fill(spool))
            assert spool.waiting > 1000
            while records := spool.peek(1000, SOME_BYTES):
                spool.answered(records)
            assert segment_files(folder) == []


class SmallDisk:
    """A disk with so much room [bytes]; a file may grow to a third of it."""

    def __init__(self, folder: Path, room: int, monkeypatch: pytest.MonkeyPatch) -> None:
        self._folder, self._room, self._write = folder, room, os.write
        monkeypatch.setattr(os, "write", self.write)
        monkeypatch.setattr("shutil.disk_usage", self.usage)

    def usage(self, _folder: Path) -> SimpleNamespace:
        used = sum(path.stat().st_size for path in self._folder.iterdir())
        return SimpleNamespace(total=self._room, used=used, free=self._room - used)

    def write(self, descriptor: int, content: bytes) -> int:
        if len(content) > self.usage(self._folder).free:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self._write(descriptor, content)


@pytest.mark.parametrize("every", [1000, 10, 5])
def test_a_full_disk_has_room_for_the_reasons_of_what_is_rejected(
    folder: Path, monkeypatch: pytest.MonkeyPatch, every: int
) -> None:
    """Or one rejected sample would stand in the way of all: nothing is answered before it is put aside."""
    SmallDisk(folder, 100_000, monkeypatch)
    with Spool(folder) as spool:
        for _ in range(2):
            with pytest.raises(SpoolFullError, match="bytes are free on the disk"):
                sum(fill(spool))
            assert spool.waiting > 1000
            while records := spool.peek(100, SOME_BYTES):
                bad = [record for record in records if record.number % every == 1]
                spool.answered(records, [rejected(record) for record in bad])
            (folder / "rejected.jsonl").unlink()


def test_a_full_disk_has_room_to_mend_a_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    SmallDisk(folder, 100_000, monkeypatch)
    with Spool(folder) as spool, pytest.raises(SpoolFullError):
        sum(fill(spool))
    path = segment_files(folder)[3]
    path.write_bytes(path.read_bytes().replace(b"h2", b"ch", 1))
    with Spool(folder) as spool:
        assert spool.damaged
        assert spool.waiting > 1000


def rejected(record: Record) -> Rejected:
    return Rejected(
        REJECTED.at, record.number, None, "h2", "cannot be negative: correct it", record.payload.decode()
    )


def fill(spool: Spool) -> Iterator[int]:
    """Append as long as there is room; gives a 1 for each sample that was taken."""
    for i in range(0, MANY, 10):
        spool.append([sample(i + j) for j in range(10)])
        yield 10


def fill_with_rejected(spool: Spool) -> None:
    for _ in range(MANY):
        spool.put_aside_input(Rejected(REJECTED.at, None, 7, "", "is not JSON", "x" * 500))


def test_disk_use_is_bounded_and_a_refusal_stores_nothing(folder: Path) -> None:
    with Spool(folder, most_bytes=20_000) as spool:
        with pytest.raises(SpoolFullError, match=r"is full: \d+ samples wait, 20000 bytes are allowed"):
            sum(fill(spool))
        accepted = spool.waiting
        assert sum(path.stat().st_size for path in segment_files(folder)) <= 20_000
        assert texts(spool.peek(MANY, SOME_BYTES)) == [sample(i) for i in range(accepted)]
        for _ in range(accepted // 50):  # never full for good: what is answered makes room
            spool.answered(spool.peek(50, SOME_BYTES))
        spool.append([sample(accepted)])
        assert texts(spool.peek(MANY, SOME_BYTES))[-1] == sample(accepted)


def test_rejected_samples_count_against_the_bound_and_are_named_when_they_fill_it(folder: Path) -> None:
    with Spool(folder, most_bytes=20_000) as spool:
        with pytest.raises(SpoolFullError, match=r"\d+ of them are rejected\.jsonl and damaged\.bin: look"):
            fill_with_rejected(spool)
        with pytest.raises(SpoolFullError):
            spool.append([sample(1)] * 20)
        (folder / "rejected.jsonl").rename(folder.parent / "looked_at.jsonl")
        spool.append([sample(1)] * 20)


def test_a_sample_sent_again_after_a_crash_is_rejected_once(folder: Path) -> None:
    with Spool(folder) as spool:
        spool.append([sample(-1), sample(2)])
        spool.answered(spool.peek(1, SOME_BYTES), [REJECTED])
    (folder / "acknowledged").unlink()  # as if power had failed before it was written
    with (folder / "rejected.jsonl").open("ab") as out:
        out.write(b'{"at": "2026-11')  # and while the next line was
    with Spool(folder) as spool:
        records = spool.peek(1, SOME_BYTES)
        assert records[0].payload == sample(-1)
        spool.answered(records, [REJECTED])
    lines = (folder / "rejected.jsonl").read_text().splitlines()
    assert len(lines) == 1
    assert '"reason": "cannot be negative"' in lines[0]


@per_example
@given(data=st.data())
def test_a_torn_tail_costs_nothing_that_was_accepted(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Power fails during an append: of what was being written any part may be there, and any garbage."""
    folder = tmp_path_factory.mktemp("spool")
    sizes = data.draw(st.lists(st.integers(1, 5), min_size=1, max_size=8))
    with Spool(folder) as spool:
        numbers = iter(range(MANY))
        for size in sizes:
            spool.append([sample(next(numbers)) for _ in range(size)])
        accepted = texts(spool.peek(MANY, SOME_BYTES))
        path = segment_files(folder)[-1]
        durable = path.stat().st_size
        spool.append([sample(next(numbers)) for _ in range(5)])
        attempted = texts(spool.peek(MANY, SOME_BYTES))
    content = bytearray(path.read_bytes())
    del content[data.draw(st.integers(durable, len(content))) :]
    for position in data.draw(st.lists(st.integers(durable, max(durable, len(content) - 1)), max_size=4)):
        if position < len(content):
            content[position] = data.draw(st.integers(0, 255))
    path.write_bytes(content + data.draw(st.binary(max_size=30)))
    found = all_waiting(folder)
    assert found[: len(accepted)] == accepted
    rest = iter(attempted[len(accepted) :])
    assert all(text in rest for text in found[len(accepted) :]), "in order, and nothing invented"
    assert all_waiting(folder) == found, "a second look finds the same"


@per_example
@given(data=st.data())
def test_a_failing_disk_costs_only_the_lines_it_spoils_and_is_told(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("spool")
    with Spool(folder, most_bytes=4_000) as spool:  # several files
        for i in range(40):
            spool.append([sample(i)])
    paths = segment_files(folder)
    assert len(paths) > 1
    path = data.draw(st.sampled_from(paths))
    before = path.read_bytes()
    content = bytearray(before)
    start = data.draw(st.integers(0, len(content) - 1))
    length = min(data.draw(st.integers(1, 100)), len(content) - start)
    content[start : start + length] = bytes(b ^ 0x55 for b in content[start : start + length])
    path.write_bytes(content)
    first, last = before[:start].count(b"\n"), before[: start + length - 1].count(b"\n")
    no_end_is_left = path == paths[-1] and b"\n" not in content[start:]
    said: list[str] = []
    with Spool(folder, say=said.append) as spool:
        found = texts(spool.peek(MANY, SOME_BYTES))
        lost = [sample(i) for i in range(40) if sample(i) not in found]
        assert found == [sample(i) for i in range(40) if sample(i) not in lost]
        assert 1 <= len(lost) <= last - first + 2, "the lines that were hit, and one whose line feed was"
        assert spool.damaged or no_end_is_left
        assert said
        assert spool.waiting == len(found)
    kept = (folder / "damaged.bin").read_bytes()
    assert bytes(content[start : start + length]) in kept, "what cannot be read is there to be looked at"


def test_the_only_sample_that_waits_is_damaged_and_not_taken_for_unfinished(folder: Path) -> None:
    with Spool(folder) as spool:
        spool.append([sample(1)])
    path = segment_files(folder)[0]
    path.write_bytes(path.read_bytes().replace(b'"h2":1', b'"h2":7'))
    said: list[str] = []
    with Spool(folder, say=said.append) as spool:
        assert (spool.waiting, spool.damaged) == (0, True)
    assert "cannot be read; they are kept in" in said[0]
    assert b'"h2":7' in (folder / "damaged.bin").read_bytes()


def test_what_is_damaged_counts_against_the_bound(folder: Path) -> None:
    with Spool(folder, most_bytes=8_000) as spool:
        spool.append([sample(i) for i in range(100)])
    path = segment_files(folder)[0]
    path.write_bytes(path.read_bytes().replace(b"h2", b"ch"))
    with Spool(folder, most_bytes=8_000) as spool:
        assert spool.waiting == 0
        with pytest.raises(SpoolFullError, match=r"rejected\.jsonl and damaged\.bin: look at them"):
            sum(fill(spool))
        (folder / "damaged.bin").unlink()
        spool.append([sample(1)])


def test_blocks_that_the_disk_does_not_give_back_cost_only_their_samples(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Spool(folder) as spool:
        spool.append([sample(i) for i in range(300)])
        spool.answered(records := spool.peek(10, SOME_BYTES), [rejected(records[0])])
    path = segment_files(folder)[0]
    content, read = path.read_bytes(), os.pread

    def failing(descriptor: int, size: int, offset: int) -> bytes:
        if offset == 4096 or Path(f"/proc/self/fd/{descriptor}").readlink().suffix != ".samples":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return read(descriptor, size, offset)

    said: list[str] = []
    with monkeypatch.context() as patched:
        patched.setattr(os, "pread", failing)
        with Spool(folder, say=said.append) as spool:
            assert spool.damaged
            found = texts(spool.peek(MANY, SOME_BYTES))
    assert json.loads((folder / "rejected.jsonl").read_text())["number"] == 1, "and what is there stays"
    gone = range(content[:4096].count(b"\n"), content[: 2 * 4096 - 1].count(b"\n") + 1)
    assert found == [sample(i) for i in range(300) if i not in gone]
    assert any("at least" in text and f"{len(gone)} of them not yet answered" in text for text in said)
    assert any("acknowledged cannot be read" in text for text in said)


@pytest.mark.parametrize("content", [b"", b"garbage", b"00000000 2 answered\n", None])
def test_when_nothing_is_known_of_answers_all_is_sent_again(folder: Path, content: bytes | None) -> None:
    with Spool(folder) as spool:
        spool.append([sample(1), sample(2), sample(3)])
        spool.answered(spool.peek(2, SOME_BYTES))
    path = folder / "acknowledged"
    path.unlink() if content is None else path.write_bytes(content)
    assert all_waiting(folder) == [sample(1), sample(2), sample(3)]


def test_a_file_changed_while_it_is_read_is_no_crash(folder: Path) -> None:
    with Spool(folder) as spool:
        spool.append([sample(1), sample(2)])
        path = segment_files(folder)[0]
        path.write_bytes(path.read_bytes().replace(b"h2", b"ch"))
        with pytest.raises(SpoolError, match="was changed or the disk fails: start again to mend it"):
            spool.peek(1, SOME_BYTES)


# --- a full disk, a failing one ----------------------------------------------------------------------------


class Failing:
    """``os.write`` and ``os.fsync`` that fail at the given call, writing half before."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
        self.calls, self.fail_at, self.code = 0, 0, code
        self._write, self._sync = os.write, os.fsync
        monkeypatch.setattr(os, "write", self.write)
        monkeypatch.setattr(os, "fsync", self.sync)

    def write(self, descriptor: int, content: bytes) -> int:
        self.calls += 1
        if self.calls == self.fail_at:
            raise OSError(self.code, os.strerror(self.code))
        return self._write(descriptor, content[: max(1, len(content) // 2)])

    def sync(self, descriptor: int) -> None:
        self.calls += 1
        if self.calls == self.fail_at:
            raise OSError(self.code, os.strerror(self.code))
        self._sync(descriptor)


@pytest.mark.parametrize(("code", "kind"), [(errno.ENOSPC, SpoolFullError), (errno.EIO, SpoolError)])
def test_a_write_that_fails_anywhere_leaves_nothing_half_stored(
    folder: Path, monkeypatch: pytest.MonkeyPatch, code: int, kind: type[SpoolError]
) -> None:
    with monkeypatch.context() as patched:
        failing = Failing(patched, code)
        with Spool(folder) as spool:
            spool.append([sample(0)])
            failing.calls, failing.fail_at = 0, 0
            spool.append([sample(1), sample(2)])
            steps = failing.calls
            assert steps > 3
            for step in range(1, steps + 1):
                failing.calls, failing.fail_at = 0, step
                with pytest.raises(kind, match=r"cannot write to the spool .*: (No space|Input/output)"):
                    spool.append([sample(99), sample(98)])
            failing.fail_at = 0
            spool.append([sample(3)])
            assert texts(spool.peek(MANY, SOME_BYTES)) == [sample(0), sample(1), sample(2), sample(3)]
    assert all_waiting(folder) == [sample(0), sample(1), sample(2), sample(3)]


def test_where_what_failed_cannot_even_be_taken_off_again_a_new_file_is_begun(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_way(_descriptor: int, _size: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with Spool(folder) as spool:
        spool.append([sample(0)])
        for step in (2, 3):  # half of it is written; all of it is written and not synced
            with monkeypatch.context() as patched:
                patched.setattr(os, "ftruncate", no_way)
                Failing(patched, errno.EIO).fail_at = step
                with pytest.raises(SpoolError, match="Input/output error"):
                    spool.append([sample(99)])
            spool.append([sample(step)])
        accepted = [sample(0), sample(2), sample(3)]
        assert texts(spool.peek(MANY, SOME_BYTES)) == accepted
    found = all_waiting(folder)
    assert [text for text in found if text != sample(99)] == accepted


def test_a_first_file_that_cannot_be_made_durable_is_not_used(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Spool(folder) as spool:
        with monkeypatch.context() as patched:
            Failing(patched, errno.ENOSPC).fail_at = 1
            with pytest.raises(SpoolFullError):
                spool.append([sample(1)])
        assert segment_files(folder) == []
        spool.append([sample(2)])
    assert all_waiting(folder) == [sample(2)]


def test_on_a_full_disk_what_is_answered_goes_and_makes_room(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Spool(folder, most_bytes=8_000) as spool:
        for i in range(60):
            spool.append([sample(i)])
        before = len(segment_files(folder))
        records = spool.peek(MANY, SOME_BYTES)
        with monkeypatch.context() as patched:
            patched.setattr("app.sender.durable.replace", _no_space)
            spool.answered(records[:50])
        assert len(segment_files(folder)) < before
        assert texts(spool.peek(MANY, SOME_BYTES)) == [sample(i) for i in range(50, 60)]
    assert all_waiting(folder)[-10:] == [sample(i) for i in range(50, 60)]


def _no_space(_path: Path, _content: bytes) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_what_cannot_be_put_aside_is_not_answered(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Spool(folder) as spool:
        spool.append([sample(-1)])
        with monkeypatch.context() as patched:
            Failing(patched, errno.ENOSPC).fail_at = 1
            with pytest.raises(SpoolFullError, match=r"cannot write to .*rejected\.jsonl: No space left"):
                spool.answered(spool.peek(1, SOME_BYTES), [REJECTED])
        assert spool.waiting == 1
    assert all_waiting(folder) == [sample(-1)]
    assert (folder / "rejected.jsonl").read_bytes() == b""


FILL = """
import resource, sys
from pathlib import Path
from app.sender.errors import SpoolFullError
from app.sender.spool import Spool
spool = Spool(Path(sys.argv[1]))
limit = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
count = 0
try:
    while True:
        spool.append([b'{"h2":%d}' % (count + i) for i in range(10)])
        count += 10
except SpoolFullError as error:
    print(count, error)
"""


@pytest.mark.parametrize("limit", range(1000, 1100, 9))
def test_the_system_itself_cuts_a_write_short(folder: Path, limit: int) -> None:
    """A limit on the size of files is the one full disk that every machine has: write(2) then writes a part."""
    done = subprocess.run(
        [sys.executable, "-c", FILL, str(folder), str(limit)], capture_output=True, text=True, check=True
    )
    count, _, told = done.stdout.partition(" ")
    assert told == f"cannot write to the spool {folder}: File too large\n"
    assert all_waiting(folder) == [b'{"h2":%d}' % i for i in range(int(count))]
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY, "only of the child"


# --- a power cut -------------------------------------------------------------------------------------------


class PowerCutError(Exception):
    """The lights go out."""


class Disk:
    """What a disk keeps when power fails: of files what was synced, of a folder the names that were synced.

    A harsh one: names and contents that were not synced are never there, and a file that was synced under a name
    that was not is lost.
    """

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self._folder = folder
        self._sync = os.fsync
        self._contents: dict[int, bytes] = {}
        self._names: dict[str, int] = {}
        self._held: list[int] = []  # so that the number of a removed file is not given to a new one
        self.left = MANY
        monkeypatch.setattr(os, "fsync", self.sync)

    def close(self) -> None:
        for descriptor in self._held:
            os.close(descriptor)

    def sync(self, descriptor: int) -> None:
        self.left -= 1
        if self.left < 0:
            raise PowerCutError
        self._sync(descriptor)
        status = os.fstat(descriptor)
        if self._folder.exists() and status.st_ino == self._folder.stat().st_ino:
            self._names = {path.name: path.stat().st_ino for path in self._folder.iterdir()}
        elif (file := Path(f"/proc/self/fd/{descriptor}")).is_file():
            self._contents[status.st_ino] = file.read_bytes()
            self._held.append(os.dup(descriptor))

    def after_the_cut(self, folder: Path, *, torn: Callable[[bytes, bytes], bytes]) -> None:
        """Make the folder as it is found when power is back; ``torn`` mixes the durable and the last content."""
        folder.mkdir()
        now = {path.stat().st_ino: path.read_bytes() for path in self._folder.iterdir()}
        for name, inode in self._names.items():
            durable = self._contents.get(inode, b"")
            (folder / name).write_bytes(torn(durable, now.get(inode, durable)))


def scenario(spool: Spool, accepted: list[bytes], answered: list[bytes]) -> None:
    """Appends and answers; notes what is accepted only when it was said to be, what is answered when it is."""
    for i in range(14):
        batch = [sample(10 * i + j) for j in range(4)]
        spool.append(batch)
        accepted += batch
        if i % 3 == 2:
            records = spool.peek(7, SOME_BYTES)
            answered += texts(records)
            rejected = [Rejected("", records[0].number, None, "h2", "bad", records[0].payload.decode())]
            spool.answered(records, rejected)


def nothing_more(durable: bytes, _now: bytes) -> bytes:
    return durable


def a_part_more(durable: bytes, now: bytes) -> bytes:
    return now[: len(durable) + (len(now) - len(durable)) * 2 // 3] if now.startswith(durable) else durable


def zeros_more(durable: bytes, now: bytes) -> bytes:
    """The size of a file may be there before its content is."""
    return durable + bytes(max(0, len(now) - len(durable)))


@pytest.mark.parametrize("torn", [nothing_more, a_part_more, zeros_more])
def test_power_may_fail_at_any_sync(tmp_path: Path, torn: Callable[[bytes, bytes], bytes]) -> None:
    cuts = 0
    for left in range(MANY):
        folder, found_in = tmp_path / f"before{left}", tmp_path / f"after{left}"
        accepted: list[bytes] = []
        answered: list[bytes] = []
        with pytest.MonkeyPatch.context() as patched:
            disk = Disk(folder, patched)
            spool = Spool(folder, most_bytes=3_000)
            disk.left = left
            try:
                scenario(spool, accepted, answered)
                break
            except PowerCutError:
                cuts += 1
            finally:
                spool.close()
                disk.close()
        disk.after_the_cut(found_in, torn=torn)
        with Spool(found_in, most_bytes=3_000) as again:
            found = texts(again.peek(MANY, SOME_BYTES))
            assert not again.damaged
        waiting = [text for text in accepted if text not in answered]
        everything = [sample(10 * i + j) for i in range(14) for j in range(4)]
        assert [text for text in found if text in waiting] == waiting, (
            "accepted, not answered: there, in order"
        )
        assert [text for text in everything if text in found] == found, "in order, once, nothing invented"
    assert cuts > 30


@pytest.fixture(autouse=True)
def _folders_are_closed() -> Iterator[None]:
    """No test leaves a descriptor open (they would be locks)."""
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 - only counted
    yield
    assert len(os.listdir("/proc/self/fd")) <= before  # noqa: PTH208
