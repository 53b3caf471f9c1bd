"""What a next step of a job can be, and the command line that does it."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from enum import IntEnum

from memtool.core.job.bans import Ban
from memtool.core.job.stage import Stage
from memtool.core.role import Role

WANTED = {"authority": "--authority", "vehicle_vin": "--vehicle-vin"}
"""What blanking asks of every order, and the option that gives it."""
_DRAFT_FILE = "layout.toml"


class NextKind(IntEnum):
    """What is to be done; in the order of a job."""

    READ = 1
    """Read a module and give the job its reads."""
    READ_AGAIN = 2
    """Two reads of one memory differ."""
    MAJORITY = 3
    """Three reads or more differ: each byte can be put to the vote."""
    DRAFT = 4
    REVIEW = 5
    COMPLETE_ORDER = 6
    """The order lacks what blanking asks for."""
    CHECK_DONOR = 7
    BLANK = 8
    CHECK_FILE = 9
    """Before the file goes onto the module."""
    PROGRAM = 10
    """Write the file with a programmer, read the module again, check that read."""
    SET_UP = 11
    """Fit the module, run the maker's procedure, read it again, check that read."""
    RESTORE = 12
    """Write a backup back, read the module again, check that read."""
    TRY = 13
    """Try the module on the vehicle and put the result on record."""
    DECIDE = 14
    MEND = 15
    """A check failed: what it names is mended first."""
    REPORT = 16
    DONE = 17


@dataclass(frozen=True, slots=True, kw_only=True)
class NextAction:
    """The next step of a job."""

    kind: NextKind
    memories: tuple[str, ...] = ()
    """Those it is about; empty where it is about the whole module."""
    role: Role | None = None
    """The module that is to be read."""
    stage: Stage | None = None
    """The check that is to be made, was failed, or left the point."""
    point: str | None = None
    """Label of the point that is to be decided."""
    missing: tuple[str, ...] = ()
    """Facts that the order lacks, by their names in `Order`."""
    images: tuple[str, ...] = ()
    """Those that a layout is drafted from, as every command knows them."""
    layout: str | None = None
    """Layout file that is to be reviewed or to blank with, where the job has not chosen it."""
    ban: Ban | None = None
    """Why nothing is blanked in this job."""
    command: str | None = None
    """The command line that does it, with words in capitals for what only a person knows."""

    @property
    def memory(self) -> str | None:
        """The first memory it is about."""
        return self.memories[0] if self.memories else None


def with_command(step: NextAction, *, several: bool) -> NextAction:
    """The step with its command line."""
    return replace(step, command=_command(step, several=several))


def _command(step: NextAction, *, several: bool) -> str | None:
    words = _words(step, several=several)
    return None if words is None else shlex.join(("benchimage", *words))


def _words(step: NextAction, *, several: bool) -> tuple[str, ...] | None:
    suffix = f"/{step.memory}" if several and step.memory else ""
    reads = tuple(f"{name}=READ" for name in step.memories) if several else ("READ",)
    role = step.role or Role.DONOR
    stage = () if step.stage is None else ("--stage", step.stage.value)
    match step.kind:
        case NextKind.READ | NextKind.READ_AGAIN:
            return ("start", *(part for read in reads for part in (f"--{role.value}", read)))
        case NextKind.MAJORITY:
            return ("job", "majority", f"{role.value}{suffix}")
        case NextKind.DRAFT:
            file = f"{step.memory}.toml" if several else _DRAFT_FILE
            return ("layout", "draft", *step.images, "--out", file)
        case NextKind.REVIEW:
            return ("layout", "review", step.layout or "FILE")
        case NextKind.COMPLETE_ORDER:
            options = {**WANTED, "module_kind": "--module-kind"}
            given = ((options[name], name.split("_")[-1].upper()) for name in step.missing)
            return ("start", *(part for pair in given for part in pair))
        case NextKind.BLANK:
            layout = () if step.layout is None else ("--layout", step.layout)
            return ("blank", f"donor{suffix}" if step.layout else "donor", *layout)
        case NextKind.CHECK_DONOR | NextKind.CHECK_FILE:
            return ("check", *stage)
        case NextKind.PROGRAM | NextKind.SET_UP | NextKind.RESTORE:
            return ("check", *reads, *stage)
        case NextKind.TRY:
            return ("job", "test", "TEXT", "--result", "ok")
        case NextKind.DECIDE:
            return ("job", "decide", step.point or "POINT", "TEXT", *stage)
        case NextKind.MEND:
            if step.stage is Stage.BEFORE_WRITING:
                return ("blank", "donor")
            if step.stage is Stage.DONOR:
                replaced = ("--replaces", "READ", "--reason", "TEXT")
                return ("start", *replaced, "--donor", reads[0])
            return ("check", *reads, *stage)
        case NextKind.REPORT:
            return ("report",)
        case _:
            return None
