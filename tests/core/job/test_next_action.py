"""The next step of a job, told from its entries alone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.finding import Check, Verdict
from memtool.core.job.edit import Edits
from memtool.core.job.events.event import Event
from memtool.core.job.events.kinds import (
    CommandRun,
    ImageBlanked,
    JobOpened,
    LayoutChosen,
    NoteAdded,
    OrderAmended,
    OriginalUnreadable,
    ReadsBackedUp,
    ReportWritten,
    StageChecked,
)
from memtool.core.job.events.memory_kinds import BackupRestored
from memtool.core.job.events.person_kinds import DecisionMade, FunctionTested
from memtool.core.job.job import Job, add_event
from memtool.core.job.next_action import find_next
from memtool.core.job.next_kinds import NextKind
from memtool.core.job.order import Order
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import judge_now
from memtool.core.layouts.layout import ModuleKind
from memtool.core.role import Role
from memtool.render.text.next_view import next_in_short, tell_next

ORDER = Order(vehicle_vin="V", module_kind=ModuleKind.BODY, authority="order 7, signed")
EEPROM, FLASH = "eeprom", "flash"


class Bench:
    """A job that grows by one entry after the other."""

    def __init__(self, order: Order = ORDER) -> None:
        self.job = Job(opened="2026-03-14T09:00:00+01:00", order=order)
        self.add(JobOpened(order=order))

    def add(self, event: Event) -> None:
        self.job = add_event(self.job, replace(event, number=len(self.job.events) + 1))

    def read(self, role: Role, memory: str = EEPROM, *, agree: bool = True, reads: int = 2) -> None:
        self.add(
            ReadsBackedUp(
                backup=f"b{len(self.job.events)}",
                role=role,
                memory=memory,
                chip="95160" if memory == EEPROM else "64K",
                sha256=f"{role}{memory}",
                size=2048,
                format="raw",
                base=0,
                read_count=reads,
                agree=agree,
                single_read_reason=None,
            )
        )

    def both(self, memory: str = EEPROM) -> None:
        self.read(Role.ORIGINAL, memory)
        self.read(Role.DONOR, memory)

    def layout(self, memory: str = EEPROM, *, reviewed: bool = True) -> None:
        name = f"{memory}.toml"
        self.add(LayoutChosen(name=name, path=name, sha256=name, reviewed=reviewed, memory=memory))

    def check(self, stage: Stage, result: Verdict = Verdict.PASS, memory: str = EEPROM) -> None:
        answer = Check(code="sums", result=result, text="They were compared.", reason=None)
        verdict = StageVerdict.PASS if result is Verdict.PASS else StageVerdict.INCOMPLETE
        self.add(
            StageChecked(
                stage=stage,
                verdict=StageVerdict.FAIL if result is Verdict.FAIL else verdict,
                checks=(answer,),
                subject="x",
                sha256="read",
                copy=None,
                memory=memory,
                judged=judge_now(self.job, stage, memory),
            )
        )

    def decide(self) -> None:
        check = self.job.stage_checks[-1]
        self.add(
            DecisionMade(
                stage=check.stage,
                entry=check.number,
                point="sums",
                code="sums",
                found=check.checks[0].text,
                text="as the catalogue says",
                name="N. N.",
                memory=check.memory,
                judged=check.judged,
            )
        )

    def blank(self, memory: str = EEPROM) -> None:
        self.add(
            ImageBlanked(
                backup="b",
                out="x",
                copy="files/x",
                format="raw",
                sha256=f"blanked {memory} {len(self.job.events)}",
                file_sha256="f",
                donor_sha256="d",
                layout=None,
                identities=(),
                edits=Edits(),
                kept=(),
                checks=(),
                memory=memory,
            )
        )

    def next(self) -> tuple[str, str | None]:
        step = find_next(self.job)
        assert tell_next(step)
        assert next_in_short(step)
        return step.kind.name, step.command


def test_a_job_with_a_layout_goes_from_its_reads_to_its_report() -> None:
    bench = Bench()
    assert bench.next() == ("READ", "benchimage start --donor READ")
    bench.read(Role.DONOR)
    assert bench.next() == ("READ", "benchimage start --original READ")
    bench.read(Role.ORIGINAL)
    assert bench.next() == ("DRAFT", "benchimage layout draft original donor --out layout.toml")
    bench.layout()
    assert bench.next() == ("CHECK_DONOR", "benchimage check --stage donor")
    bench.check(Stage.DONOR, Verdict.DECIDE)
    assert bench.next() == ("DECIDE", "benchimage job decide sums TEXT --stage donor")
    bench.decide()
    assert bench.next() == ("BLANK", "benchimage blank donor")
    bench.blank()
    assert bench.next() == ("CHECK_FILE", "benchimage check --stage before-writing")
    bench.check(Stage.BEFORE_WRITING)
    assert bench.next() == ("PROGRAM", "benchimage check READ --stage after-writing")
    bench.check(Stage.AFTER_WRITING)
    assert bench.next() == ("SET_UP", "benchimage check READ --stage after-setup")
    bench.check(Stage.AFTER_SETUP)
    assert bench.next() == ("REPORT", "benchimage report")
    bench.add(ReportWritten(shop=False))
    assert bench.next() == ("DONE", None)
    bench.add(CommandRun(command="inspect"))
    assert bench.next() == ("DONE", None)
    bench.add(NoteAdded(text="one more thing"))
    assert bench.next() == ("REPORT", "benchimage report")


def test_a_layout_that_the_job_made_is_reviewed_and_blanked_with() -> None:
    bench = Bench()
    bench.both()
    bench.add(CommandRun(command="layout draft", details={"out": "seat.toml"}))
    assert bench.next() == ("REVIEW", "benchimage layout review seat.toml")
    bench.add(CommandRun(command="layout review", details={"out": "seat-reviewed-1.toml"}))
    assert bench.next() == ("BLANK", "benchimage blank donor --layout seat-reviewed-1.toml")


def test_a_layout_counts_for_the_memory_of_its_chip() -> None:
    bench = Bench()
    bench.both()
    bench.both(FLASH)
    bench.add(CommandRun(command="layout draft", details={"out": "a.toml", "chip": "64K"}))
    assert bench.next() == (
        "DRAFT",
        "benchimage layout draft original/eeprom donor/eeprom --out eeprom.toml",
    )
    bench.layout()
    assert bench.next() == ("REVIEW", "benchimage layout review a.toml")


def test_a_chosen_layout_that_nobody_reviewed_is_reviewed() -> None:
    bench = Bench()
    bench.both()
    bench.layout(reviewed=False)
    assert bench.next() == ("REVIEW", "benchimage layout review eeprom.toml")


@pytest.mark.parametrize(
    ("reads", "said"),
    [
        (2, ("READ_AGAIN", "benchimage start --donor READ")),
        (3, ("MAJORITY", "benchimage job majority donor")),
    ],
)
def test_reads_that_differ_come_before_all_else(reads: int, said: tuple[str, str]) -> None:
    bench = Bench()
    bench.read(Role.DONOR, agree=False, reads=reads)
    assert bench.next() == said


def test_an_order_that_lacks_what_blanking_asks_for_is_completed_first() -> None:
    bench = Bench(Order(vehicle_vin="V"))
    bench.both()
    bench.layout()
    assert bench.next() == (
        "COMPLETE_ORDER",
        "benchimage start --authority AUTHORITY --module-kind KIND",
    )
    bench.add(OrderAmended(order=replace(ORDER, vehicle_vin=None)))
    assert bench.next()[0] == "CHECK_DONOR"


@pytest.mark.parametrize(
    ("stage", "command"),
    [
        (Stage.BEFORE_WRITING, "benchimage blank donor"),
        (Stage.AFTER_WRITING, "benchimage check READ --stage after-writing"),
        (Stage.AFTER_SETUP, "benchimage check READ --stage after-setup"),
    ],
)
def test_a_failed_check_is_mended_until_it_passes(stage: Stage, command: str) -> None:
    bench = Bench()
    bench.both()
    bench.layout()
    bench.blank()
    stages = (Stage.BEFORE_WRITING, Stage.AFTER_WRITING, Stage.AFTER_SETUP)
    for earlier in stages[: stages.index(stage)]:
        bench.check(earlier)
    bench.check(stage, Verdict.FAIL)
    assert bench.next() == ("MEND", command)
    bench.check(stage)
    assert bench.next()[0] != "MEND"


def test_a_donor_that_failed_is_mended_and_passed_over_once_it_is_blanked() -> None:
    bench = Bench()
    bench.both()
    bench.layout()
    bench.check(Stage.DONOR, Verdict.FAIL)
    command = "benchimage start --replaces READ --reason TEXT --donor READ"
    assert bench.next() == ("MEND", command)
    bench.blank()
    bench.check(Stage.BEFORE_WRITING)
    assert bench.next()[0] == "PROGRAM"


def test_a_new_file_to_write_is_checked_again() -> None:
    bench = Bench()
    bench.both()
    bench.layout()
    bench.blank()
    bench.check(Stage.BEFORE_WRITING)
    bench.blank()
    assert bench.next()[0] == "CHECK_FILE"


def test_a_point_that_was_passed_over_comes_before_the_report() -> None:
    bench = Bench()
    bench.both()
    bench.layout()
    bench.check(Stage.DONOR, Verdict.DECIDE)
    bench.blank()
    for stage in (Stage.BEFORE_WRITING, Stage.AFTER_WRITING, Stage.AFTER_SETUP):
        bench.check(stage)
    assert bench.next() == ("DECIDE", "benchimage job decide sums TEXT --stage donor")
    bench.add(ReportWritten(shop=False))
    assert bench.next()[0] == "DONE"


def test_the_memory_that_is_furthest_back_says_what_is_next() -> None:
    bench = Bench()
    for memory in (EEPROM, FLASH):
        bench.both(memory)
        bench.layout(memory)
        bench.blank(memory)
        bench.check(Stage.BEFORE_WRITING, memory=memory)
    assert bench.next() == (
        "PROGRAM",
        "benchimage check eeprom=READ flash=READ --stage after-writing",
    )
    bench.check(Stage.AFTER_WRITING, memory=EEPROM)
    assert bench.next() == ("PROGRAM", "benchimage check flash=READ --stage after-writing")


def test_a_module_that_is_never_blanked_has_its_report_left() -> None:
    bench = Bench(replace(ORDER, module_kind=ModuleKind.AIRBAG))
    bench.both()
    step = find_next(bench.job)
    assert step.kind is NextKind.REPORT
    assert step.ban is not None
    assert "airbag" in tell_next(step)


def test_brakes_are_tried_before_the_report() -> None:
    bench = Bench(replace(ORDER, module_kind=ModuleKind.BRAKES))
    bench.both()
    bench.layout()
    bench.blank()
    for stage in (Stage.BEFORE_WRITING, Stage.AFTER_WRITING, Stage.AFTER_SETUP):
        bench.check(stage)
    assert bench.next() == ("TRY", "benchimage job test TEXT --result ok")
    bench.add(FunctionTested(text="braked", ok=True))
    assert bench.next()[0] == "REPORT"


def test_a_backup_that_was_given_back_is_checked() -> None:
    bench = Bench()
    bench.both()
    bench.layout()
    bench.blank()
    bench.add(
        BackupRestored(
            backup="b",
            role=Role.DONOR,
            out="x",
            sha256="s",
            file_sha256="f",
            memory=EEPROM,
        )
    )
    assert bench.next() == ("RESTORE", "benchimage check READ --stage restored")
    bench.check(Stage.RESTORED)
    assert bench.next()[0] == "CHECK_FILE"


def test_an_original_that_cannot_be_read_is_not_asked_for() -> None:
    bench = Bench()
    bench.add(OriginalUnreadable(reason="burnt"))
    bench.read(Role.DONOR)
    assert bench.next() == ("DRAFT", "benchimage layout draft donor --out layout.toml")
