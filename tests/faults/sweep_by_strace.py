"""The strace sweep: every system call of the commands that write, under kills and errors.

    python -m tests.faults.sweep_by_strace          also errors that stay; prints figures

The tests `test_strace_*` run all of it but the errors that stay. A system call is any call
between the start of the command's own code and the end of the process, whatever its kind;
Python's start and the loading of modules lie before that.
"""

from __future__ import annotations

import re
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.faults.bench import (
    BLANKED,
    DONOR,
    assert_safe,
    backup_ids,
    blank_arguments,
    job_kinds,
    lay_out_files,
    open_bench,
    sources_of,
    start_arguments,
)
from tests.faults.invariants import journal_lines, look_at_store, sha256
from tests.faults.scene import MEMORY
from tests.faults.strace_server import Outcome, StraceServer

ERRORS = ("EIO", "ENOSPC", "EROFS", "EDQUOT", "EACCES", "EINTR")
KILL, INTERRUPT = "signal=KILL", "signal=INT"
FAULTS = (KILL, INTERRUPT, *(f"error={error}" for error in ERRORS))
"""Each of them at every call."""
BAD_WRITES = ("retval=100", "retval=0", "poke_enter=@arg2=ff")
"""More was written than was, nothing was, a byte was changed on its way."""
PARTS = 6
"""The calls of a command are shared out to that many tests."""
_STATUSES = {KILL: (-signal.SIGKILL,), INTERRUPT: (130,)}
_OWN_STATUSES = (0, 1, 2, 3, 4, 5)
_TRIALS = 3
_NEVER_FAIL = ("getpid", "exit_group")
"""By POSIX the first "shall always be successful"; the second never returns."""
_MEMORY = frozenset({"brk", "mmap", "munmap", "mprotect", "mremap", "madvise"})
"""Calls whose number hangs on what the process did before; a fault may miss them."""
_PLACE = ["--job", "job", "--store", "store"]
"""Without a store named, the user's own would remember the job, from one run to the next."""
_ADD = ["backup", "add", "d1.bin", "d2.bin", "--role", "reference", "--chip", "24C02"]


@dataclass(frozen=True)
class Step:
    """A command that writes, and what its success must have left."""

    name: str
    arguments: Callable[[Path], list[str]]
    done: Callable[[Path], None]


def _is_backed_up(store: str) -> Callable[[Path], None]:
    def check(bench: Path) -> None:
        seen = look_at_store(bench / store)
        assert (sha256(DONOR), sha256(DONOR)) in seen.backups.values()

    return check


def _is_noted(bench: Path) -> None:
    assert job_kinds(bench)[-1] == "note"


def _is_blanked(bench: Path) -> None:
    assert (bench / "out.bin").read_bytes() == BLANKED
    assert "image-blanked" in job_kinds(bench)


def _is_restored(bench: Path) -> None:
    assert (bench / "out-restored.dump").read_bytes() == DONOR


def _donor_id(bench: Path) -> str:
    records = sorted((bench / "store" / "records").iterdir())
    return next(p.name[7:19] for p in records if b'"donor"' in p.read_bytes())


STEPS = (
    Step("add-first", lambda bench: [*_ADD, "--store", "new"], _is_backed_up("new")),
    Step("add", lambda bench: [*_ADD, "--store", "store"], _is_backed_up("store")),
    Step("note", lambda bench: ["job", "note", "text", *_PLACE], _is_noted),
    Step("blank", lambda bench: blank_arguments("--out", "out.bin"), _is_blanked),
    Step(
        "restore",
        lambda bench: [
            *("backup", "restore", _donor_id(bench), "--store", "store"),
            *("--out", "out-restored.dump"),
        ],
        _is_restored,
    ),
)
NAMED = {step.name: step for step in STEPS}


def state_of(bench: Path) -> frozenset[tuple[str, int]]:
    """Which files there are and how long they are; digests in names depend on the clock."""
    return frozenset(
        (re.sub("[0-9a-f]{32,}", "#", str(path.relative_to(bench))), path.stat().st_size)
        for path in bench.rglob("*")
        if path.is_file()
    )


class Sweep:
    """An opened job, copied afresh for every run, and the server that runs commands."""

    def __init__(self, root: Path, server: StraceServer) -> None:
        self.root, self.server = root, server
        self.pristine = root / "pristine"
        self.pristine.mkdir()
        open_bench(self.pristine)
        warm = root / "warm"
        warm.mkdir()
        lay_out_files(warm)
        assert server.warm_up(start_arguments(), cwd=warm) in (0, 1)
        for step in STEPS:
            server.warm_up(step.arguments(warm), cwd=warm)
        assert backup_ids(self.pristine)
        self.states: set[tuple[str, frozenset[tuple[str, int]]]] = set()
        self._calls: dict[str, list[tuple[str, int]]] = {}

    def fresh(self) -> Path:
        """The job as it was, with the same times, under the same name."""
        bench = self.root / "bench"
        shutil.rmtree(bench, ignore_errors=True)
        shutil.copytree(self.pristine, bench, symlinks=True)
        return bench

    def calls_of(self, step: Step) -> list[tuple[str, int]]:
        """Every system call of a run without a fault: its name, and which of that name it is."""
        if step.name not in self._calls:
            bench = self.fresh()
            count: Counter[str] = Counter()
            made = []
            for name in self.server.calls(step.arguments(bench), cwd=bench):
                count[name] += 1
                made.append((name, count[name]))
            self._calls[step.name] = made
        return self._calls[step.name]

    def hit_every_call(
        self, step: Step, fault: str, *, part: int = 0, parts: int = 1, stays: bool = False
    ) -> int:
        """The fault at each call of that part of the run, one run for each; how many."""
        # After the last call of all nobody is left to take a signal.
        left_out = {KILL: (), INTERRUPT: ("exit_group",)}.get(fault, _NEVER_FAIL)
        places = [place for place in self.calls_of(step) if place[0] not in left_out]
        places = places[part::parts]
        for call, position in places:
            # On a busy machine one run in some thousands does not meet its call; the cause is
            # not known. It was a run without a fault, so it is done again.
            met = any(
                self.hit(step, call, position, fault, stays=stays).was_hit or call in _MEMORY
                for _ in range(_TRIALS)
            )
            assert met, f"{call} {position} was not met"
        return len(places)

    def hit_every_write(self, step: Step, fault: str) -> int:
        """The same for calls that write alone."""
        places = [place for place in self.calls_of(step) if place[0] == "write"]
        for call, position in places:
            self.hit(step, call, position, fault)
        return len(places)

    def hit(
        self, step: Step, call: str, position: int, fault: str, *, stays: bool = False
    ) -> Outcome:
        """One run with one fault, every invariant, and the next run without a fault."""
        bench = self.fresh()
        before = sources_of(bench)
        arguments = step.arguments(bench)
        inject = f"{call}:{fault}:when={position}{'+' if stays else ''}"
        outcome = self.server.run(arguments, cwd=bench, inject=inject)
        where = f"{step.name}, {inject}: {outcome.status} {outcome.stderr}"
        assert sources_of(bench) == before, where
        assert_safe(bench, where)
        assert "Traceback" not in outcome.stderr, where
        assert outcome.status in (*_OWN_STATUSES, *_STATUSES.get(fault, ())), where
        if outcome.status in (0, 1):
            step.done(bench)
        elif outcome.status in _OWN_STATUSES and not (stays and call == "write"):
            # What was already said when the answer could not be, the next step, stands before it.
            assert any(line.startswith("benchimage: ") for line in outcome.stderr.splitlines()), (
                where
            )
        # The same names and sizes were gone on from before: the next run would be the same.
        state = (step.name, state_of(bench))
        if state not in self.states:
            self.states.add(state)
            self._next_run(step, bench, where)
        return outcome

    def _next_run(self, step: Step, bench: Path, where: str) -> None:
        """I5: it needs no cleaning up. A whole output of the first run may be in its way."""
        arguments = step.arguments(bench)
        for name in ("out.bin", "out-restored.dump"):
            if (bench / name).exists():
                (bench / name).unlink()
        again = self.server.run(arguments, cwd=bench)
        assert again.status in (0, 1), f"next run after {where}: {again.stderr}"
        step.done(bench)
        assert_safe(bench, f"next run after {where}")
        check = self.server.run(
            ["backup", "check", "--store", "new" if step.name == "add-first" else "store"],
            cwd=bench,
        )
        assert check.status == 0, f"check after {where}: {check.stdout}"
        journals = [bench / "job" / "journal.jsonl"]
        assert not any(journal_lines(journal)[1] for journal in journals)


@contextmanager
def sweeping() -> Iterator[Sweep]:
    """A sweep in a folder of its own."""
    root = Path(tempfile.mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
    try:
        with StraceServer() as server:
            yield Sweep(root, server)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def say(text: str) -> None:
    """A line for the person who waits."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main() -> int:
    """All commands, all calls, all faults."""
    start = time.monotonic()
    total = 0
    with sweeping() as sweep:
        for step in STEPS:
            calls = sweep.calls_of(step)
            for fault in FAULTS:
                total += sweep.hit_every_call(step, fault)
                say(f"{step.name}: {len(calls)} calls, {fault}: sound")
            for fault in BAD_WRITES:
                total += sweep.hit_every_write(step, fault)
            for fault in ("error=EIO", "error=ENOSPC"):
                total += sweep.hit_every_call(step, fault, stays=True)
                say(f"{step.name}: {len(calls)} calls, {fault} from there on: sound")
    say(f"{total} faults in {time.monotonic() - start:.0f} s, 0 violations")
    return 0


if __name__ == "__main__":
    sys.exit(main())
