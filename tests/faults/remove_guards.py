"""Takes out each guard of store, gate and checks in a copy and shows that a test fails.

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
GATE = " ".join(
    f"tests/core/job/{name}.py" for name in ("test_gate", "test_gate_guards", "test_gate_records")
)
CONVERSION = "tests/core/job/test_conversion_rules.py"
STRACE = "tests/faults/test_strace_sweep.py"
NO_READ = "tests/slips/test_files_that_are_no_read_of_the_module.py"
LATER_READS = "tests/slips/test_reads_that_came_after_the_file.py"
TIMES = "tests/slips/test_files_by_their_times.py"
AGAIN = "tests/slips/test_verdicts_judged_again.py"
CHANGES = "tests/slips/test_changes_after_setup.py"
SETTLED = "tests/slips/test_what_a_person_settles.py"
OWN = "tests/store/test_own_files.py"
LOOKED_AT = "tests/slips/test_layouts_that_were_only_looked_at.py"


@dataclass(frozen=True)
class Guard:
    """A piece of the code, and what is there when it is taken out."""

    name: str
    file: str
    text: str
    without: str
    tests: str


def _rule(module: str, name: str) -> Guard:
    """A rule of the gate that always allows."""
    text = f"                {module}.{name},\n"
    return Guard(
        f"gate rule {name}",
        "memtool/core/job/gate.py",
        text,
        "                lambda _: None,\n",
        GATE,
    )


GATE_RULES = tuple(
    _rule(module, name)
    for module, names in (
        (
            "gate_job_rules",
            (
                *("open_job", "authority", "vehicle_vin", "module_kind", "also_holds"),
                *("donor_backup", "reads_agree", "sound_read"),
            ),
        ),
        (
            "gate_image_rules",
            (
                *(
                    "read_areas",
                    "reviewed_layout",
                    "layout_fits",
                    "records_intact",
                    "other_vehicle",
                    "same_image",
                ),
                *("protected_untouched", "only_planned", "no_new_identity", "clean_reference"),
                *("kept_identity", "no_leftover"),
            ),
        ),
    )
    for name in names
)
GUARDS = (
    *GATE_RULES,
    Guard(
        "gate: layouts that are not the one in use",
        "memtool/core/job/gate_question.py",
        "(*self.named, *self.chosen, *self.used)",
        "self.used",
        GATE,
    ),
    Guard(
        "release: never what is protected",
        "memtool/workflow/releasing.py",
        "    _require_free(guarded, span)\n",
        "",
        SETTLED,
    ),
    Guard(
        "release: that very region",
        "memtool/workflow/releasing.py",
        "    if span in kept:\n",
        "    if kept:\n",
        SETTLED,
    ),
    Guard(
        "release: a layout that says something else",
        "memtool/workflow/releasing.py",
        "    _require_other_word(reviewed, span)\n",
        "",
        SETTLED,
    ),
    Guard(
        "settled: of that image alone",
        "memtool/core/job/job.py",
        'if settled.how == "not-read" or image in (settled.judged.reads or ())',
        "if image",
        f"{GATE} {SETTLED}",
    ),
    Guard(
        "settled: the two methods agree",
        "memtool/workflow/deciding.py",
        "    if area is not None and second is not None:\n",
        "    if False:\n",
        SETTLED,
    ),
    Guard(
        "hidden: what any layout protects",
        "memtool/core/job/protection.py",
        "    if not hidden:\n        return layout\n",
        "    return layout\n",
        "tests/core/job/test_protection.py",
    ),
    Guard(
        "a layout that was looked at counts",
        "memtool/workflow/showing.py",
        "    if is_named and choice.loaded is not None:\n",
        "    if False:\n",
        LOOKED_AT,
    ),
    Guard(
        "files are the user's own",
        "memtool/store/folder.py",
        "OWN_FILE = 0o600\n",
        "OWN_FILE = 0o644\n",
        OWN,
    ),
    Guard(
        "folders are the user's own",
        "memtool/store/folder.py",
        "_OWN_FOLDER = 0o700\n",
        "_OWN_FOLDER = 0o755\n",
        OWN,
    ),
    Guard(
        "bytes in few pieces",
        "memtool/formats/placing.py",
        "    _require_few_islands(pieces)\n",
        "",
        "tests/formats/test_islands.py",
    ),
    Guard(
        "gate: what a job once said",
        "memtool/core/job/bans.py",
        "in (*orders, *layouts)",
        "in layouts",
        GATE,
    ),
    Guard(
        "convert: votes of one module",
        "memtool/core/job/conversion_rules.py",
        "    if different is not None:\n",
        "    if False:\n",
        CONVERSION,
    ),
    Guard(
        "convert: no VIN of one read's bytes",
        "memtool/core/job/conversion_rules.py",
        "        if all(_stands_twice(reads, voted, piece) for piece in vin.pieces):\n",
        "        if True:\n",
        CONVERSION,
    ),
    Guard(
        "convert: no VIN that did not go in",
        "memtool/core/job/conversion_rules.py",
        "    if new:\n",
        "    if False:\n",
        CONVERSION,
    ),
    Guard(
        "gate: what could not be read is not changed",
        "memtool/core/job/gate_image_rules.py",
        "(never := intersect_spans(question.plan.spans, hidden))",
        "(never := intersect_spans([], hidden))",
        GATE,
    ),
    Guard(
        "gate: reads that differ only where nothing could be read",
        "memtool/core/job/gate_job_rules.py",
        "    if entry.agree is False and not apart:\n",
        "    if entry.agree is False and not (job and reads):\n",
        GATE,
    ),
    Guard(
        "gate: a layout's checksum over a VIN that goes alone",
        "memtool/core/job/gate_image_rules.py",
        "            if is_over and check_checksum(question.image, rule).result is Verdict.PASS:\n",
        "            if False:\n",
        GATE,
    ),
    Guard(
        "gate: a checksum found over a VIN that goes alone",
        "memtool/core/job/gate_image_rules.py",
        "    for near in question.nearby:\n",
        "    for near in ():\n",
        GATE,
    ),
    Guard(
        "check: names with a memory behind them",
        "memtool/workflow/stages/images.py",
        "    if split_image_name(opened, name) is not None:\n",
        "    if name in ('donor', 'original', 'to-write'):\n",
        NO_READ,
    ),
    Guard(
        "check: files of the job and its store",
        "memtool/workflow/jobs.py",
        "    if any(_lies_in(path, folder) for folder in closed):\n",
        "    if False:\n",
        NO_READ,
    ),
    Guard(
        "check: files that a command wrote elsewhere",
        "memtool/workflow/jobs.py",
        "    if any(own.exists() and own.samefile(path) for own in written):\n",
        "    if False:\n",
        NO_READ,
    ),
    Guard(
        "check: further names of kept files",
        "memtool/workflow/jobs.py",
        "path.stat().st_nlink > 1 and any(",
        "False and any(",
        NO_READ,
    ),
    Guard(
        "check: a target from outside",
        "memtool/workflow/stages/before_writing.py",
        "load_from_outside(request, store, memory, request.target)",
        "load_image(request, store, memory, request.target)",
        NO_READ,
    ),
    Guard(
        "check: a read older than the file to program",
        "memtool/core/job/stages/read_time.py",
        "    if modified is None or made is None:\n",
        "    if True:\n",
        TIMES,
    ),
    Guard(
        "check: a file that was given before",
        "memtool/core/job/stages/read_time.py",
        "    if modified is None:\n",
        "    if True:\n",
        TIMES,
    ),
    Guard(
        "start: a copied file as the second read",
        "memtool/core/job/whose.py",
        "        if first.modified == second.modified and first.image == second.image:\n",
        "        if False:\n",
        TIMES,
    ),
    Guard(
        "before writing: reads that came after the file",
        "memtool/core/job/stages/before_writing.py",
        "    return (agreeing,) if agreeing.result is Verdict.FAIL else ()\n",
        "    return ()\n",
        LATER_READS,
    ),
    Guard(
        "before writing: a majority that came after the file",
        "memtool/core/job/stages/before_writing.py",
        "    if newest.voted is not None and newest.sha256 != used.sha256:\n",
        "    if False:\n",
        LATER_READS,
    ),
    Guard(
        "restored: a backup that was given back",
        "memtool/core/job/stages/restored.py",
        "        if not is_given_back:\n",
        "        if False:\n",
        NO_READ,
    ),
    Guard(
        "verdicts judged again",
        "memtool/workflow/start.py",
        "    opened = judge_again(opened, store, now=now)\n",
        "",
        AGAIN,
    ),
    Guard(
        "verdicts checked again: the stored read as it was",
        "memtool/workflow/judging_again.py",
        "    if read.image.sha256() != check.sha256:\n",
        "    if False:\n",
        AGAIN,
    ),
    Guard(
        "verdicts checked again: another file to program",
        "memtool/core/job/standing.py",
        "changed & {_UNKNOWN, _FILE}",
        "changed & {_UNKNOWN}",
        AGAIN,
    ),
    Guard(
        "report: changed bytes in the shop's copy alone",
        "memtool/core/report/report_building.py",
        "_runs(job, memory, by_place, layout) if is_shop_copy else ()",
        "_runs(job, memory, by_place, layout)",
        CHANGES,
    ),
    Guard(
        "report: protected bytes of the shop's copy",
        "memtool/core/report/changed_runs.py",
        "    hidden = intersect_spans(changed, tuple(protected))\n",
        "    hidden: tuple[Span, ...] = ()\n",
        CHANGES,
    ),
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
        "memtool/workflow/blank_writing.py",
        "before_publish=ask_again, ",
        "",
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
        '    if not line.startswith(_BEGIN + own.encode("ascii") + _END):\n',
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
        # What commands print is held against the published shapes.
        shutil.copytree(ROOT / "docs" / "schema", copy / "docs" / "schema")
        shutil.copy(ROOT / "pyproject.toml", copy)
        if guard is not None:
            path = copy / guard.file
            text = path.read_text(encoding="utf-8")
            assert text.count(guard.text) == 1, f"{guard.name}: its text is not there once"
            path.write_text(text.replace(guard.text, guard.without), encoding="utf-8")
        done = subprocess.run(
            [*PYTEST, *tests.split()], cwd=copy, capture_output=True, text=True, timeout=600
        )
        assert done.returncode in (0, 1), done.stdout
        return done.returncode == 1


if __name__ == "__main__":
    sys.exit(main())
