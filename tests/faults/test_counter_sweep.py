"""F03, F04, F05, F07, F08, F10, F14, F38: every system call of the store fails, once and for ever.

After every single fault the invariants of `docs/reliability.md` are asserted with plain
hashes, and the next run must succeed without any cleaning up.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from memtool.core.finding import Verdict
from memtool.errors import MemtoolError
from memtool.store.backups import BackupStore
from memtool.store.journal import append_entry, check_journal
from memtool.store.writing import write_new
from tests.faults.faulty_os import CHANGING, FaultyOs, KilledError, Mode, faults, open_descriptors
from tests.faults.invariants import journal_lines, look_at_store, sha256
from tests.faults.scene import FIRST, SECOND, TIME, add, scratch

ALL_ERRORS = (
    *(errno.EIO, errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EACCES),
    *(errno.EPERM, errno.EMFILE, errno.ENOMEM, errno.EINTR, errno.ESTALE),
)
LONG = bool(os.environ.get("BENCHIMAGE_LONG_SWEEPS"))
"""Set by `tests/faults/long_sweeps.py`: every error, not the two that differ most."""
ERRORS = ALL_ERRORS if LONG else (errno.EIO, errno.ENOSPC)
Prepare = Callable[[Path], None]


# Every step: what is there before, what is done, and what must hold after a success.


def nothing(folder: Path) -> None:
    """A store that does not exist yet."""


def one_backup(folder: Path) -> None:
    add(BackupStore(folder / "store"), FIRST)


def add_first(folder: Path) -> None:
    add(BackupStore(folder / "store"), FIRST)


def add_second(folder: Path) -> None:
    add(BackupStore(folder / "store"), FIRST, SECOND)


def add_to_both(folder: Path) -> None:
    add(BackupStore(folder / "store", also=folder / "also"), FIRST, SECOND)


def restore(folder: Path) -> None:
    store = BackupStore(folder / "store")
    record = next((folder / "store" / "records").iterdir())
    entry = store.entry(record.name[7:19])
    (folder / "restored").unlink(missing_ok=True)
    write_new(folder / "restored", store.read_file_of(entry, 0))


def journal_one(folder: Path) -> None:
    append_entry(folder / "j", kind="note", facts={"text": "one"}, time=TIME)


def journal_two(folder: Path) -> None:
    append_entry(folder / "j", kind="note", facts={"text": "two"}, time=TIME)


def torn_journal(folder: Path) -> None:
    journal_one(folder)
    with (folder / "j").open("ab") as file:
        file.write(b'{"sha256": "0123')


def damaged_store(folder: Path) -> None:
    add(BackupStore(folder / "store", also=folder / "also"), FIRST, SECOND)
    copy = folder / "store" / "files" / FIRST.file_sha256
    copy.chmod(0o600)
    copy.write_bytes(b"x" + FIRST.data[1:])
    (folder / "store" / "journal.jsonl").write_bytes(b"rubbish\n")
    (folder / "store" / "README.txt").unlink()


def repair(folder: Path) -> None:
    BackupStore(folder / "store", also=folder / "also").repair(time=TIME)


STEPS = {
    "first-backup": (nothing, add_first),
    "second-backup": (one_backup, add_second),
    "same-again": (one_backup, add_first),
    "two-stores": (nothing, add_to_both),
    "restore": (one_backup, restore),
    "journal-begins": (nothing, journal_one),
    "journal-goes-on": (journal_one, journal_two),
    "journal-after-crash": (torn_journal, journal_two),
    "repair": (damaged_store, repair),
}


def run(step: Prepare, folder: Path, fault: FaultyOs) -> BaseException | None:
    """Do the step under the fault; the error that came of it, or None."""
    before = open_descriptors()
    with faults(fault):
        try:
            step(folder)
        except (MemtoolError, KeyboardInterrupt, KilledError) as error:
            return error
        finally:
            if fault.mode in (Mode.ONCE, Mode.STICKY):
                assert open_descriptors() <= before, "a descriptor was left open"
    return None


def assert_invariants(name: str, folder: Path, error: BaseException | None, seen: str) -> None:
    # What is damaged before a repair may still be so after it failed; the other store never is.
    for store in (folder / "store", folder / "also")[name == "repair" :]:
        found = look_at_store(store)
        assert not found.torn_records, seen
        assert not found.torn_files, seen
        assert not journal_lines(store / "journal.jsonl")[1], seen
    _, rest = journal_lines(folder / "j")
    assert not rest or isinstance(error, KilledError) or name == "journal-after-crash", seen
    if (folder / "restored").exists():
        assert sha256((folder / "restored").read_bytes()) == FIRST.file_sha256, seen
    if isinstance(error, MemtoolError):
        assert error.exit_status in (3, 4, 5), f"{seen}: {error}"
        assert error.file, seen
        assert "\n" not in str(error)
    if error is None and name != "repair":
        assert_done(name, folder, seen)


def assert_done(name: str, folder: Path, seen: str) -> None:
    """What a success means: it is there, whole, and every check agrees."""
    if name.startswith("journal"):
        sound, rest = journal_lines(folder / "j")
        assert not rest, seen
        expected = "one" if name == "journal-begins" else "two"
        assert sound[-1]["facts"] == {"text": expected}, seen
        assert check_journal(folder / "j").torn is None
    elif name == "restore":
        assert (folder / "restored").read_bytes() == FIRST.data, seen
    else:
        also = folder / "also" if name in ("two-stores", "repair") else None
        store = BackupStore(folder / "store", also=also)
        items = store.check()
        assert [item for item in items if item.result is not Verdict.PASS] == [], seen
        for entry in store.entries():
            assert store.require_receipt(entry.id).image_sha256 == entry.sha256, seen


def sweep(
    name: str, make: Callable[[], BaseException], mode: Mode, names: frozenset[str] | None = None
) -> int:
    """Fail the first call, the second, and so on until a run has no fault; how many were hit."""
    prepare, step = STEPS[name]
    position = 0
    while True:
        position += 1
        with scratch() as folder:
            prepare(folder)
            fault = FaultyOs(position, make(), mode, names)
            error = run(step, folder, fault)
            last = fault.seen[position - 1] if fault.happened else "none"
            seen = f"{name}, {mode.value}, call {position} ({last}), {make()!r}: {error!r}"
            assert_invariants(name, folder, error, seen)
            # The next run needs no cleaning up.
            step(folder)
            assert_done(name, folder, f"next run after {seen}")
        if not fault.happened:
            return position - 1


FAULTS = [
    *((number, Mode.ONCE) for number in ERRORS),
    *((number, Mode.STICKY) for number in (ALL_ERRORS if LONG else [errno.EIO])),
]
SHORT_STEPS = [name for name in STEPS if LONG or name not in ("two-stores", "repair")]


@pytest.mark.parametrize(
    ("number", "mode"), FAULTS, ids=[f"{errno.errorcode[n]}-{m.name}" for n, m in FAULTS]
)
@pytest.mark.parametrize("name", STEPS)
def test_every_call_may_fail(name: str, number: int, mode: Mode) -> None:
    def make() -> BaseException:
        return OSError(number, os.strerror(number))

    assert sweep(name, make, mode) > 5


@pytest.mark.parametrize("name", STEPS)
def test_a_kill_before_every_call_leaves_all_or_nothing(name: str) -> None:
    assert sweep(name, KilledError, Mode.DEAD) > 5


@pytest.mark.parametrize("mode", [Mode.ONCE, Mode.AFTER], ids=["before", "after"])
@pytest.mark.parametrize("name", SHORT_STEPS)
def test_an_interrupt_at_every_call_leaves_all_or_nothing(name: str, mode: Mode) -> None:
    assert sweep(name, KeyboardInterrupt, mode) > 5


@pytest.mark.parametrize("mode", [Mode.ONCE, Mode.STICKY], ids=["once", "sticky"])
@pytest.mark.parametrize("name", SHORT_STEPS)
def test_a_fault_while_recovering_from_a_kill_leaves_all_or_nothing(name: str, mode: Mode) -> None:
    """F10: a kill at every changing call, then a fault at every changing call of the next run."""
    prepare, step = STEPS[name]
    runs = 0
    for first in range(1, 200):
        for second in range(1, 200):
            with scratch() as folder:
                prepare(folder)
                killed = FaultyOs(first, KilledError(), Mode.DEAD, CHANGING)
                run(step, folder, killed)
                if not killed.happened:
                    assert runs > 10
                    return
                fault = FaultyOs(second, OSError(errno.EIO, "I/O"), mode, CHANGING)
                error = run(step, folder, fault)
                seen = f"{name}, kill at {first}, fault at {second}: {error!r}"
                assert_invariants(name, folder, error, seen)
                step(folder)
                assert_done(name, folder, f"next run after {seen}")
                runs += 1
                if not fault.happened:
                    break
