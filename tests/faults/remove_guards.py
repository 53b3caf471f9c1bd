"""Takes out each guard of the store in a copy of the project and shows that a test fails.

    python -m tests.faults.remove_guards            all guards, some minutes
    python -m tests.faults.remove_guards fsync      those whose name has that word

A guard whose removal no test notices is not a guard but a habit; this script then ends
with 1 and names it.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
PYTEST = (sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider")
POWER = "tests/faults/test_power_loss.py"
WRITING = "tests/store/test_writing.py"
BACKUPS = "tests/store/test_backups.py"
JOURNAL = "tests/store/test_journal.py"
READING = "tests/store/test_reading.py"
ODDS = "tests/store/test_store_odds.py"
CHECK = "tests/store/test_store_check.py"
MANY = "tests/faults/test_many_processes.py"
SWEEP = "tests/faults/test_counter_sweep.py"
STRACE = "tests/faults/test_strace_sweep.py"


@dataclass(frozen=True)
class Guard:
    """A piece of the code, and what is there when it is taken out."""

    name: str
    file: str
    text: str
    without: str
    tests: str


GUARDS = (
    Guard(
        "fsync of a new file",
        "memtool/store/writing.py",
        "        _write_all(descriptor, self.data)\n        os.fsync(descriptor)\n",
        "        _write_all(descriptor, self.data)\n",
        POWER,
    ),
    Guard(
        "fsync of the folder of a new file",
        "memtool/store/writing.py",
        "    try:\n        folder.sync()\n    except OSError as error:\n",
        "    try:\n        pass\n    except OSError as error:\n",
        POWER,
    ),
    Guard(
        "fsync of a line",
        "memtool/store/writing.py",
        "                _write_all(descriptor, line)\n                os.fsync(descriptor)\n",
        "                _write_all(descriptor, line)\n",
        POWER,
    ),
    Guard(
        "fsync of the folder of a line",
        "memtool/store/writing.py",
        "was durable.\n        folder.sync()\n",
        "was durable.\n",
        f"{POWER} {WRITING}",
    ),
    Guard(
        "fsync of a folder that was made",
        "memtool/store/folder.py",
        "name was durable.\n        self.sync()\n",
        "name was durable.\n",
        POWER,
    ),
    Guard(
        "fsync of a file that another run left",
        "memtool/store/place.py",
        "                os.fsync(descriptor)\n",
        "                pass\n",
        ODDS,
    ),
    Guard(
        "fsync of the name of a file that another run left",
        "memtool/store/place.py",
        "                close_quietly(descriptor)\n        folder.sync()\n",
        "                close_quietly(descriptor)\n",
        f"{POWER} {BACKUPS}",
    ),
    Guard(
        "link without overwriting",
        "memtool/store/writing.py",
        "            # Without `dst_dir_fd` Python",
        "            with suppress(OSError):\n                folder.remove(name)\n"
        "            # Without `dst_dir_fd` Python",
        WRITING,
    ),
    Guard(
        "new name where there are no links",
        "memtool/store/writing.py",
        "close_quietly(folder.open(name, _NEW))",
        "close_quietly(folder.open(name, os.O_RDWR | os.O_CREAT))",
        WRITING,
    ),
    Guard(
        "read-back of a new file",
        "memtool/store/writing.py",
        "        _require_written(descriptor, 0, len(self.data), self.sha256)\n",
        "",
        WRITING,
    ),
    Guard(
        "read-back of a line",
        "memtool/store/writing.py",
        "                _require_written(descriptor, keep, len(line), digest)\n",
        "",
        WRITING,
    ),
    Guard(
        "digest before the write",
        "memtool/store/writing.py",
        "        _write_all(descriptor, self.data)\n",
        "        _write_all(descriptor, self.data)\n"
        "        self.sha256 = compute_sha256(self.data)\n",
        WRITING,
    ),
    Guard(
        "digest of the bytes that were read, before they are kept",
        "memtool/store/keeping.py",
        "    if compute_sha256(data) != digest:\n",
        "    if False:\n",
        BACKUPS,
    ),
    Guard(
        "line taken away after a failure",
        "memtool/store/writing.py",
        "suppress(OSError):\n                    os.ftruncate(descriptor, keep)\n",
        "suppress(OSError):\n                    pass\n",
        f"{WRITING} {SWEEP}",
    ),
    Guard(
        "length of the journal as it was read",
        "memtool/store/writing.py",
        "            if os.fstat(descriptor).st_size != size:\n",
        "            if False:\n",
        WRITING,
    ),
    Guard(
        "last question before the name appears",
        "memtool/workflow/blank.py",
        ", before_publish=ask_again)",
        ")",
        f"{STRACE} -k vanishes",
    ),
    Guard(
        "comparison of a copy whose name is taken",
        "memtool/store/keeping.py",
        "            place.read_copy(digest)\n",
        "            pass\n",
        BACKUPS,
    ),
    Guard(
        "digest of a stored copy",
        "memtool/store/place.py",
        "        if content.sha256 != digest:\n",
        "        if False:\n",
        BACKUPS,
    ),
    Guard(
        "digest of a record",
        "memtool/store/records.py",
        "compute_sha256(data) != parts[1]",
        "False",
        f"{BACKUPS} {CHECK}",
    ),
    Guard(
        "image of a stored copy",
        "memtool/store/backups.py",
        "    if parsed.image.sha256() != read.sha256:\n",
        "    if False:\n",
        BACKUPS,
    ),
    Guard(
        "digest of a journal's line",
        "memtool/store/journal.py",
        '    if compute_sha256(rest).encode("ascii") != digest:\n',
        "    if False:\n",
        JOURNAL,
    ),
    Guard(
        "chain of the journal",
        "memtool/store/journal.py",
        "    if entry.previous != expected or",
        "    if False and",
        JOURNAL,
    ),
    Guard(
        "lock",
        "memtool/store/locking.py",
        "        lock.acquire()\n",
        "        pass\n",
        MANY,
    ),
    Guard(
        "refusal of links in the store",
        "memtool/store/reading.py",
        "        if stat.S_ISLNK(status.st_mode):\n",
        "        if False:\n",
        BACKUPS,
    ),
    Guard(
        "refusal of files that change while they are read",
        "memtool/store/reading.py",
        "    if length == before.st_size == after.st_size and same_time:\n",
        "    if True:\n",
        READING,
    ),
    Guard(
        "opening without waiting",
        "memtool/store/reading.py",
        "        _require_regular(path.stat(), str(path))\n",
        "        pass\n",
        READING,
    ),
    Guard(
        "journal's witness of records",
        "memtool/store/checking.py",
        "        *_check_missing_records(place, named or frozenset()),\n",
        "",
        CHECK,
    ),
)


def main() -> int:
    """Remove one guard after the other; 1 if a test run did not notice."""
    words = sys.argv[1:]
    guards = [guard for guard in GUARDS if all(word in guard.name for word in words)]
    unnoticed = []
    for tests in sorted({guard.tests for guard in guards}):
        assert not fails(tests), f"{tests} fails with all guards in their places"
    for guard in guards:
        noticed = is_noticed(guard)
        sys.stdout.write(f"{'noticed' if noticed else 'NOT NOTICED'}: without {guard.name}\n")
        sys.stdout.flush()
        if not noticed:
            unnoticed.append(guard.name)
    sys.stdout.write(f"{len(guards) - len(unnoticed)} of {len(guards)} guards have a test\n")
    return 1 if unnoticed else 0


def is_noticed(guard: Guard) -> bool:
    """Whether a test fails without the guard."""
    return fails(guard.tests, guard)


def fails(tests: str, guard: Guard | None = None) -> bool:
    """Whether a test fails in a copy of the project, without a guard if one is given."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "copy"
        ignore = shutil.ignore_patterns("__pycache__", ".*", "*.pyc")
        for name in ("memtool", "tests"):
            shutil.copytree(ROOT / name, copy / name, ignore=ignore)
        shutil.copy(ROOT / "pyproject.toml", copy)
        if guard is not None:
            path = copy / guard.file
            text = path.read_text(encoding="utf-8")
            assert text.count(guard.text) == 1, f"{guard.name}: its text is not there once"
            path.write_text(text.replace(guard.text, guard.without), encoding="utf-8")
        done = subprocess.run(
            [*PYTEST, *tests.split()], cwd=copy, capture_output=True, text=True, timeout=300
        )
        assert done.returncode in (0, 1), done.stdout
        return done.returncode == 1


if __name__ == "__main__":
    sys.exit(main())
