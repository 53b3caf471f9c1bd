"""F13 by the commands themselves: `blank`, `backup`, `job` and `check` in one store at once."""

from __future__ import annotations

import json
import os
import time
from dataclasses import asdict
from pathlib import Path

from tests.faults.bench import (
    BLANKED,
    DONOR,
    ORIGINAL,
    assert_safe,
    blank_arguments,
    open_bench,
    sources_of,
)
from tests.faults.invariants import journal_lines, look_at_store, sha256
from tests.faults.scene import invented_bytes
from tests.hostile.forked import Ended, prepare_to_fork, run_forked

SAME_OUTPUT, OWN_OUTPUT, ADD_SAME, ADD_OWN, CHECK, NOTE, RESTORE = 4, 3, 3, 3, 3, 2, 2
"""How many of each; twenty in all."""


def command_lines(bench: Path) -> list[list[str]]:
    """Twenty lines: what several people may do with one store and one job at a time."""
    store = ("--store", "store")
    record = sorted((bench / "store" / "records").iterdir())[-1].name[7:19]
    add = ("backup", "add", "--role", "reference", "--chip", "24C02", *store)
    lines = [blank_arguments("--out", "out.bin") for _ in range(SAME_OUTPUT)]
    lines += [blank_arguments("--out", f"out-{number}.bin") for number in range(OWN_OUTPUT)]
    lines += [[*add, "d1.bin", "d2.bin"] for _ in range(ADD_SAME)]
    for number in range(ADD_OWN):
        (bench / f"own-{number}.bin").write_bytes(invented_bytes(number, 256))
        lines.append([*add, f"own-{number}.bin", "--single-read", "invented"])
    lines += [["backup", "check", *store, "--json"] for _ in range(CHECK)]
    lines += [["job", "note", f"note {number}", "--job", "job"] for number in range(NOTE)]
    lines += [
        ["backup", "restore", record, "--out", f"restored-{number}.bin", *store]
        for number in range(RESTORE)
    ]
    return lines


def run_all_at_once(lines: list[list[str]], bench: Path) -> list[Ended]:
    """Each line in a process of its own; none begins before all are there."""
    gate, place = bench / "gate", bench / "said"
    gate.touch()
    place.mkdir()
    children = []
    for number, line in enumerate(lines):
        child = os.fork()
        if child == 0:
            status = 1  # The child must end here, whatever happens: it is a copy of pytest.
            try:
                prepare_to_fork()
                (place / f"{number}.ready").touch()
                while gate.exists():
                    time.sleep(0.0005)
                done = run_forked(line, cwd=bench)
                (place / f"{number}.json").write_text(json.dumps(asdict(done)))
                status = 0
            finally:
                os._exit(status)
        children.append(child)
    deadline = time.monotonic() + 120
    while len(list(place.iterdir())) < len(lines):
        assert time.monotonic() < deadline
        time.sleep(0.005)
    gate.unlink()
    for child in children:
        assert os.waitpid(child, 0)[1] == 0
    answers = [(place / f"{number}.json").read_text() for number in range(len(lines))]
    return [Ended(**json.loads(answer)) for answer in answers]


def test_twenty_commands_at_once_leave_whole_files_and_one_winner(tmp_path: Path) -> None:
    open_bench(tmp_path)
    lines, before = command_lines(tmp_path), sources_of(tmp_path)
    assert len(lines) == 20
    kinds = [entry["kind"] for entry in journal_lines(tmp_path / "job" / "journal.jsonl")[0]]
    said = run_all_at_once(lines, tmp_path)
    assert sources_of(tmp_path) == before
    assert_safe(tmp_path, "all at once")
    assert not any("Traceback" in done.stderr for done in said)

    # One blanked file under the one name; whoever came late was refused, and not for a fault.
    racing = said[:SAME_OUTPUT]
    assert sorted(done.status for done in racing) == [0, *[3] * (SAME_OUTPUT - 1)]
    rest = said[SAME_OUTPUT:]
    assert [(done.status, done.stderr) for done in rest if done.status not in (0, 1)] == []
    assert (tmp_path / "out.bin").read_bytes() == BLANKED
    for number in range(OWN_OUTPUT):
        assert (tmp_path / f"out-{number}.bin").read_bytes() == BLANKED
    for number in range(RESTORE):
        assert (tmp_path / f"restored-{number}.bin").read_bytes() in (DONOR, ORIGINAL)

    # One backup for one content, each line of the journals once, and every check was sound.
    backups = sorted(look_at_store(tmp_path / "store").backups.values())
    own = [(sha256(invented_bytes(number, 256)),) for number in range(ADD_OWN)]
    expected = [*own, *[(sha256(DONOR),) * 2] * 2, (sha256(ORIGINAL),) * 2]
    assert backups == sorted(expected), "the donor's reads also as a reference"
    entries, torn = journal_lines(tmp_path / "job" / "journal.jsonl")
    added = [entry["kind"] for entry in entries[len(kinds) :]]
    assert not torn
    assert added.count("image-blanked") == 1 + OWN_OUTPUT
    assert added.count("note") == NOTE
    checks = [json.loads(done.stdout) for done in said if done.stdout.startswith("{")]
    assert len(checks) == CHECK
    last = run_forked(["backup", "check", "--store", "store"], cwd=tmp_path)
    assert last.status == 0, last.stdout
