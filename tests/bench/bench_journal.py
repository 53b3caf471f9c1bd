"""How long a job's journal takes to open: notes by the thousand, and many blanks and checks.

python tests/bench/bench_journal.py
python tests/bench/bench_journal.py --short

Two journals: notes alone, and pairs of a blank of a 64 KiB memory and a check of it. Each is
opened by `job show`'s own reading, at half its length and at its whole; the claims are: under 2
seconds where a process that imports click, numpy and rich takes an eighth of a second, so 16 such
processes; and twice as many entries take about twice as long. Beside it stands the least that
such a journal costs with the standard library alone: each line hashed, loaded as JSON, and
written again to see that it is the same text. Lines are put together here from one that a
command wrote, chained by the rule that the README of the journal gives.
"""

from __future__ import annotations

import gc
import hashlib
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.finding import Check, Verdict
from memtool.core.job.edit import Edit, Edits
from memtool.core.job.events.event import Event, Judged
from memtool.core.job.events.kinds import ImageBlanked, JobOpened, NoteAdded, StageChecked
from memtool.core.job.order import Order
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span
from memtool.store.reading import read_file
from memtool.workflow.facts_files import put_facts
from memtool.workflow.jobs import open_job
from tests.bench.costs import BASE, cost_of

MOST_PROCESSES = 16
"""Two seconds, where one takes an eighth of a second."""
NOW = datetime(2026, 3, 1, 10, tzinfo=UTC).isoformat(timespec="seconds")
DIGEST = "ab" * 32
CHECKS = tuple(
    Check(code=f"question-{number}", result=Verdict.PASS, text="The answer to it is good, as read.")
    for number in range(12)
)
JUDGED = Judged(layout=DIGEST, file=DIGEST, backups=("0123456789ab",), vehicle_vin=DIGEST)


def blank_and_check() -> Iterator[Event]:
    """A blank that changes a state region of 16 KiB of a 64 KiB memory, and its check."""
    edits = (
        Edit(
            span=Span(0x100, 0x111),
            old=bytes(17),
            new=b"\xff" * 17,
            reason="VIN",
            kind=RegionKind.VEHICLE_IDENTITY,
        ),
        Edit(
            span=Span(0x1000, 0x5000),
            old=bytes(16384),
            new=b"\xff" * 16384,
            reason="state",
            kind=RegionKind.STATE,
        ),
    )
    while True:
        yield ImageBlanked(
            memory="64k",
            judged=JUDGED,
            backup="0123456789ab",
            out="out.bin",
            copy="files/to-write-1.bin",
            format="raw",
            sha256=DIGEST,
            file_sha256=DIGEST,
            donor_sha256=DIGEST,
            layout="module",
            identities=("1M8GDM9AXKP042788",),
            edits=Edits.of(edits),
            kept=(),
            checks=CHECKS,
        )
        yield StageChecked(
            memory="64k",
            judged=JUDGED,
            stage=Stage.BEFORE_WRITING,
            verdict=StageVerdict.PASS,
            checks=CHECKS,
            subject="to-write",
            sha256=DIGEST,
            copy=None,
        )


def notes() -> Iterator[Event]:
    """Sentences of a technician."""
    while True:
        yield NoteAdded(text="Scan tool: no code after the repair; windows taught, doors lock.")


def write_journal(folder: Path, events: Iterator[Event], count: int) -> int:
    """A journal of a job with so many further entries; returns its length in bytes."""
    (folder / "files").mkdir(parents=True)
    opening = JobOpened(order=Order(vehicle_vin="1G4AH59H45G118341"), tool="0.2.0")
    previous, lines = "0" * 64, []
    for number in range(1, count + 2):
        event = opening if number == 1 else replace(next(events), tool="0.2.0")
        told = event.to_facts()
        facts, files = put_facts(folder, told, json.dumps(told))
        members: dict[str, Any] = {"format": "benchimage.journal/2"} if number == 1 else {}
        members |= {
            "number": number,
            "time": NOW,
            "kind": event.kind,
            "facts": facts,
            "files": [{"path": path, "sha256": digest} for path, digest in files],
            "previous": previous,
        }
        rest = json.dumps(members)[1:].encode() + b"\n"
        previous = hashlib.sha256(rest).hexdigest()
        lines.append(b'{"sha256": "' + previous.encode() + b'", ' + rest)
    data = b"".join(lines)
    (folder / "journal.jsonl").write_bytes(data)
    return len(data)


def seconds_to_open(folder: Path) -> float:
    """Of the processor, the best of three: what else the machine does does not matter."""
    read_file(folder / "journal.jsonl")
    best = float("inf")
    for _ in range(3):
        began = time.process_time()
        open_job(folder)
        best = min(best, time.process_time() - began)
    return best


def seconds_of_the_least(folder: Path) -> float:
    """The same file with hashlib and json alone: digests, chain, and one way to write a line."""
    data = (folder / "journal.jsonl").read_bytes()
    gc.disable()
    began = time.process_time()
    kept, previous = [], "0" * 64
    for line in data.splitlines():
        entry = json.loads(line)
        own = hashlib.sha256(line[79:] + b"\n").hexdigest()
        if (entry["sha256"], entry["previous"]) != (own, previous) or (
            json.dumps(entry).encode() != line
        ):
            raise AssertionError("the benchmark's own journal is broken")
        kept.append(entry)
        previous = own
    took = time.process_time() - began
    gc.enable()
    return took


def main() -> int:
    """Both journals, at half and whole length."""
    share = 20 if "--short" in sys.argv else 1
    good = True
    least_process = cost_of("-c", BASE).seconds
    sys.stdout.write(f"a process that imports click, numpy and rich: {least_process:.2f} s\n")
    with tempfile.TemporaryDirectory() as place:
        for name, events, count in (
            ("notes", notes, 100_000 // share),
            ("blanks and checks of 64 KiB", blank_and_check, 2_000 // share),
        ):
            half, whole = Path(place) / f"{name} half", Path(place) / name
            write_journal(half, events(), count // 2)
            size = write_journal(whole, events(), count)
            first, second = seconds_to_open(half), seconds_to_open(whole)
            good = good and second <= MOST_PROCESSES * least_process
            sys.stdout.write(
                f"{name}: {count:,} entries, {size / 1e6:.1f} MB: {second:.2f} s,"
                f" {second / least_process:.1f} such processes (limit {MOST_PROCESSES});"
                f" {second / first:.2f} times half of them;"
                f" {second / seconds_of_the_least(whole):.2f} times hashlib and json alone\n"
            )
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
