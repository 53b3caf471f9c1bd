"""The sentence on top, the proof lines and the open points, for jobs that went every way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.finding import Check, Verdict
from memtool.core.job.edit import Edits
from memtool.core.job.events.kinds import ImageBlanked, ReadsBackedUp, StageChecked
from memtool.core.job.job import Job, add_event
from memtool.core.job.order import Order
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import judge_now
from memtool.core.layouts.layout import ModuleKind
from memtool.core.report.report_proof import (
    find_stages,
    list_open_points,
    list_proof,
    tell_change,
    tell_identity_now,
    tell_result,
)
from memtool.core.role import Role
from tests.build import VEHICLE_VIN

ORDER = Order(
    vehicle_vin=VEHICLE_VIN,
    module_kind=ModuleKind.BODY,
    authority="order signed",
    donor_source="receipt",
)


def reads(
    number: int, role: Role, chip: str = "95160", *, agree: bool | None = True
) -> ReadsBackedUp:
    return ReadsBackedUp(
        number=number,
        time="2026-01-01T00:00:00+00:00",
        backup=f"b{number}",
        role=role,
        memory=chip.lower(),
        chip=chip,
        sha256="0" * 64,
        size=2048,
        format="raw",
        base=0,
        read_count=1 if agree is None else 2,
        agree=agree,
        single_read_reason=None,
    )


def blanking(number: int, chip: str = "95160", *, layout: str | None = "l") -> ImageBlanked:
    return ImageBlanked(
        number=number,
        time="2026-01-01T00:00:00+00:00",
        backup="b2",
        memory=chip.lower(),
        out="out.bin",
        copy="files/to-write-1.bin",
        format="raw",
        sha256="1" * 64,
        file_sha256="1" * 64,
        donor_sha256="0" * 64,
        layout=layout,
        identities=(),
        edits=Edits(),
        kept=(),
        checks=(Check(code="only-planned", result=Verdict.PASS, text="Only planned."),),
    )


def check(
    number: int,
    stage: Stage,
    verdict: StageVerdict = StageVerdict.PASS,
    *,
    chip: str = "95160",
    read: bool = True,
    checks: tuple[Check, ...] = (),
) -> StageChecked:
    """A check whose answers are what its verdict says, unless `checks` are given."""
    answer = {StageVerdict.PASS: Verdict.PASS, StageVerdict.FAIL: Verdict.FAIL}.get(
        verdict, Verdict.NOT_CHECKED
    )
    why = "no read" if answer is Verdict.NOT_CHECKED else None
    checks = checks or (Check(code="vins", result=answer, text="Looked at.", reason=why),)
    return StageChecked(
        number=number,
        time="2026-01-01T00:00:00+00:00",
        stage=stage,
        memory=chip.lower(),
        verdict=verdict,
        checks=checks,
        subject="r.bin" if read else None,
        sha256="2" * 64 if read else None,
        copy="files/r.bin" if read else None,
    )


def with_reads(job: Job, *added: ReadsBackedUp) -> Job:
    for backup in added:
        job = add_event(job, backup)
    return job


READ = with_reads(Job(opened="", order=ORDER), reads(2, Role.ORIGINAL), reads(3, Role.DONOR))
BLANKED = replace(READ, blankings=(blanking(5),))


def with_check(job: Job, last: StageChecked) -> Job:
    """The job after a check of what it holds now."""
    last = replace(last, judged=judge_now(job, last.stage, last.memory))
    return replace(job, stage_checks=(*job.stage_checks, last))


WRITTEN = with_check(BLANKED, check(7, Stage.AFTER_WRITING))
DONE = with_check(WRITTEN, check(8, Stage.AFTER_SETUP))


@pytest.mark.parametrize(
    ("job", "beginning"),
    [
        (Job(opened="", order=Order()), "The order is on record; no module was read"),
        (READ, "The modules were read and backed up; nothing was changed."),
        (BLANKED, "A file to program was made; whether it was programmed is not on record."),
        (WRITTEN, "The module was written as planned; its configuration was not checked yet."),
        (DONE, "The module is configured for this vehicle"),
        (
            with_check(WRITTEN, check(8, Stage.AFTER_SETUP, StageVerdict.INCOMPLETE)),
            "The module was checked after setup; some points are open",
        ),
        (
            with_check(WRITTEN, check(8, Stage.AFTER_SETUP, StageVerdict.FAIL)),
            "The work is not finished: a check after setup failed.",
        ),
        (
            with_check(BLANKED, check(7, Stage.AFTER_WRITING, StageVerdict.FAIL)),
            "The work is not finished: the module does not hold",
        ),
        (
            with_check(WRITTEN, check(8, Stage.AFTER_SETUP, read=False)),
            "A scan tool reports the vehicle's VIN; the module's memory was not read",
        ),
        (
            replace(DONE, blankings=(blanking(5), replace(blanking(9), sha256="3" * 64))),
            "A file to program was made;",
        ),
    ],
)
def test_the_sentence_on_top_is_no_better_than_the_record(job: Job, beginning: str) -> None:
    assert tell_result(job, find_stages(job)).startswith(beginning)


def test_the_result_of_two_memories_is_that_of_the_worse() -> None:
    job = replace(
        with_reads(READ, reads(4, Role.DONOR, "24C02")),
        blankings=(*DONE.blankings, blanking(6, "24C02")),
        stage_checks=DONE.stage_checks,
    )
    stages = find_stages(job)
    assert tell_result(job, stages).startswith("Some of the module's memories were checked")
    points = list_open_points(job, stages)
    assert "The check 'after setup of 24C02' was not made." in points
    assert not any("after setup of 95160" in point for point in points)
    lines = [line for line in list_proof(job, stages) if "After setup" in line.text]
    assert [(line.result, "24C02" in line.source) for line in lines] == [
        (Verdict.NOT_CHECKED, True),
        (Verdict.PASS, False),
    ]


def test_every_claim_without_its_check_is_not_checked() -> None:
    proof = list_proof(READ, find_stages(READ))
    held = [line.text for line in proof if line.result is Verdict.PASS]
    assert held == [
        "The original (95160) is backed up: 2 identical reads.",
        "The donor (95160) is backed up: 2 identical reads.",
    ]


def test_protected_regions_are_not_vouched_for_without_a_layout() -> None:
    untouched = Check(code="protected-untouched", result=Verdict.PASS, text="Untouched.")
    made = replace(blanking(5, layout=None), checks=(untouched,))
    job = replace(READ, blankings=(made,))
    line = next(line for line in list_proof(job, find_stages(job)) if "Protected" in line.text)
    assert line.result is Verdict.NOT_CHECKED
    assert "no layout names these regions" in line.source
    assert any("no layout names them" in point for point in list_open_points(job, find_stages(job)))


@pytest.mark.parametrize(
    ("agree", "result"),
    [(True, Verdict.PASS), (None, Verdict.NOT_CHECKED), (False, Verdict.FAIL)],
)
def test_a_backup_is_as_good_as_its_reads(agree: bool | None, result: Verdict) -> None:
    job = with_reads(Job(opened="", order=ORDER), reads(3, Role.DONOR, agree=agree))
    assert list_proof(job, find_stages(job))[0].result is result


def test_missing_facts_are_open_points() -> None:
    job = with_reads(Job(opened="", order=Order()), reads(3, Role.DONOR))
    points = " ".join(list_open_points(job, find_stages(job)))
    for text in ("Proof of ownership", "vehicle's VIN is not on record", "original was not read"):
        assert text in points


@pytest.mark.parametrize(
    ("code", "result", "beginning"),
    [
        ("vins", Verdict.PASS, f"{VEHICLE_VIN}, measured"),
        ("vins", Verdict.FAIL, "Not only the vehicle's"),
        ("reported-vin", Verdict.PASS, f"{VEHICLE_VIN}, as a scan tool reports"),
        ("reported-vin", Verdict.FAIL, "A scan tool reports another VIN"),
        ("codes", Verdict.PASS, "Not known: no VIN was read or reported"),
    ],
)
def test_the_identity_now_says_how_it_is_known(code: str, result: Verdict, beginning: str) -> None:
    found = Check(code=code, result=result, text="Found.")
    job = with_check(WRITTEN, check(8, Stage.AFTER_SETUP, checks=(found,)))
    assert tell_identity_now(job, find_stages(job)).startswith(beginning)


def test_a_blanking_that_changed_nothing_says_so() -> None:
    assert tell_change(blanking(5), 2048) == "No byte had to be changed."


def test_a_check_with_points_left_to_a_person_is_not_said_to_be_unchecked() -> None:
    made = check(8, Stage.AFTER_SETUP, StageVerdict.INCOMPLETE)
    answer = Check(code="changed-bytes", result=Verdict.DECIDE, text="1 byte changed.")
    job = with_check(WRITTEN, replace(made, checks=(*made.checks, answer)))
    line = list_proof(job, find_stages(job))[-1]
    assert line.result is Verdict.DECIDE
    assert "some points are open" in line.source
