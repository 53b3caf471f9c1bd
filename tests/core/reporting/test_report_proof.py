"""The sentence on top, the proof lines and the open points, for jobs that went every way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memtool.core.backup import Role
from memtool.core.finding import Check, Verdict
from memtool.core.job import Blanking, Job, KeptReads, Order, Stage, StageCheck, StageVerdict
from memtool.core.layouts.layout import ModuleKind
from memtool.core.reporting.report_proof import (
    find_stages,
    list_open_points,
    list_proof,
    tell_change,
    tell_identity_now,
    tell_result,
)
from tests.build import VEHICLE_VIN

ORDER = Order(
    vehicle_vin=VEHICLE_VIN,
    module_kind=ModuleKind.BODY,
    authority="order signed",
    donor_source="receipt",
)


def reads(number: int, role: Role, chip: str = "95160", *, agree: bool | None = True) -> KeptReads:
    return KeptReads(
        number=number,
        time="2026-01-01T00:00:00+00:00",
        backup=f"b{number}",
        role=role,
        chip=chip,
        sha256="0" * 64,
        size=2048,
        format="raw",
        base=0,
        reads=1 if agree is None else 2,
        agree=agree,
        single_read_reason=None,
    )


def blanking(number: int, chip: str = "95160", *, layout: str | None = "l") -> Blanking:
    return Blanking(
        number=number,
        time="2026-01-01T00:00:00+00:00",
        backup="b2",
        chip=chip,
        out="out.bin",
        copy="files/to-write-1.bin",
        format="raw",
        sha256="1" * 64,
        file_sha256="1" * 64,
        donor_sha256="0" * 64,
        layout=layout,
        identities=(),
        edits=(),
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
) -> StageCheck:
    return StageCheck(
        number=number,
        time="2026-01-01T00:00:00+00:00",
        stage=stage,
        chip=chip,
        verdict=verdict,
        checks=checks,
        subject="r.bin" if read else None,
        sha256="2" * 64 if read else None,
        copy="files/r.bin" if read else None,
    )


READ = Job(opened="", order=ORDER, reads=(reads(2, Role.ORIGINAL), reads(3, Role.DONOR)))
BLANKED = replace(READ, blankings=(blanking(5),))
WRITTEN = replace(BLANKED, stage_checks=(check(7, Stage.AFTER_WRITING),))
DONE = replace(WRITTEN, stage_checks=(*WRITTEN.stage_checks, check(8, Stage.AFTER_SETUP)))


def with_check(job: Job, last: StageCheck) -> Job:
    return replace(job, stage_checks=(*job.stage_checks, last))


@pytest.mark.parametrize(
    ("job", "beginning"),
    [
        (Job(opened="", order=Order()), "The order is on record; no module was read"),
        (READ, "The modules were read and backed up; nothing was changed."),
        (BLANKED, "A file to write was made; that it was written is not on record."),
        (WRITTEN, "The module was written as planned; its configuration was not checked yet."),
        (DONE, "The module is configured for this vehicle"),
        (
            with_check(WRITTEN, check(8, Stage.AFTER_SETUP, StageVerdict.INCOMPLETE)),
            "The module was checked after setup; some points are left open",
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
        (replace(DONE, blankings=(blanking(5), blanking(9))), "A file to write was made;"),
    ],
)
def test_the_sentence_on_top_is_no_better_than_the_record(job: Job, beginning: str) -> None:
    assert tell_result(job, find_stages(job)).startswith(beginning)


def test_the_result_of_two_memories_is_that_of_the_worse() -> None:
    job = replace(
        DONE,
        reads=(*DONE.reads, reads(4, Role.DONOR, "24C02")),
        blankings=(*DONE.blankings, blanking(6, "24C02")),
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
        "The original (95160) is backed up: 2 reads agree.",
        "The donor (95160) is backed up: 2 reads agree.",
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
    job = replace(READ, reads=(reads(3, Role.DONOR, agree=agree),))
    assert list_proof(job, find_stages(job))[0].result is result


def test_missing_facts_are_open_points() -> None:
    job = Job(opened="", order=Order(), reads=(reads(3, Role.DONOR),))
    points = " ".join(list_open_points(job, find_stages(job)))
    for text in ("Proof of ownership", "vehicle's VIN is not on record", "original was not read"):
        assert text in points


@pytest.mark.parametrize(
    ("code", "result", "beginning"),
    [
        ("vins", Verdict.PASS, f"{VEHICLE_VIN}, measured"),
        ("vins", Verdict.FAIL, "Not the vehicle's alone"),
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
