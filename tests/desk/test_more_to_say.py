"""What files alone do not tell, said at the desk: the record holds it as after the command."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from memtool.core.job.order import AlsoHolds
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.demo.door import DONOR_VIN, VEHICLE_VIN
from memtool.workflow.jobs import open_job
from tests.desk.sitting import IMAGES, Sitting, answer_order, put_reads, run, sit_down, touch


async def say(desk: Sitting, number: int, *answers: str) -> None:
    """Choose one of what there is to say, and answer what is asked of it."""
    await desk.press("m", *["down"] * number, "enter")
    for answer in answers:
        await desk.type(answer)
        await desk.press("enter")


def ran(desk: Sitting) -> str:
    """The command that would have done the same."""
    return desk.app.desk.ran[-1]


def test_what_the_module_holds_is_marked_and_goes_on_record(bench: Path) -> None:
    put_reads(bench, "door")

    async def order(*marks: str) -> str:
        async with sit_down(bench) as desk:
            await desk.press("f2")
            await desk.type("7")
            await desk.press("enter", "enter", "enter")
            await desk.type(VEHICLE_VIN)
            await desk.press("enter", "enter")
            assert "never changed" in desk.text()
            await desk.press(*marks, "enter")
            await desk.type("seen")
            await desk.press(*["enter"] * 5)
            await desk.type("RA")
            await desk.press("enter", "d", "d", *["down"] * 4, "l", "enter", "enter")
            return ran(desk)

    assert "--also-holds keys --also-holds crash-data" in run(
        order("space", "down", "space", "space", "down", "space")
    )
    held = open_job(bench / "order-7").job.order.also_holds
    assert held == (AlsoHolds.CRASH_DATA, AlsoHolds.KEYS)
    shutil.rmtree(bench / "order-7")
    shutil.rmtree(bench / "store")
    assert "also-holds" not in run(order())
    assert open_job(bench / "order-7").job.order.also_holds == ()


def test_a_read_is_withdrawn_and_an_area_was_not_read_each_with_its_reason(job: Path) -> None:
    async def withdraw() -> str:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("a")
            await say(desk, 1, "")
            await desk.type("the clip had slipped")
            await desk.press("enter")
            assert "Withdrawn: door-original-1.bin" in desk.text()
            await say(desk, 2, "0x0700-0x07FF")
            # The reason that was given stands there; it is one for all that is said at once.
            await desk.press("enter", "enter")
            return ran(desk)

    command = run(withdraw())
    assert "--replaces door-original-1.bin --not-read 0x0700-0x07FF" in command
    told = open_job(job).job
    newest = told.newest_backup(Role.ORIGINAL)
    assert newest is not None
    assert newest.names == ("door-original-2.bin",)
    assert [each.spans for each in told.settled] == [(Span(0x0700, 0x0800),)]
    assert {each.reason for each in told.settled} == {"the clip had slipped"}


def test_reads_after_power_are_counted_anew_and_an_original_cannot_be_read(job: Path) -> None:
    shutil.copyfile(IMAGES / "door-donor-1.bin", job.parent / "aa-donor.bin")
    shutil.copyfile(IMAGES / "door-donor-1.bin", job.parent / "ab-donor.bin")

    async def add() -> str:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("a", "d", "d")
            await say(desk, 0, "in the car over night")
            await say(desk, 3, "burnt")
            assert "Counted anew: in the car over night" in desk.text()
            await desk.press("enter", "enter")
            return ran(desk)

    command = run(add())
    assert "--sitting 'in the car over night'" in command
    assert "--original-unreadable burnt" in command
    told = open_job(job).job
    newest = told.newest_backup(Role.DONOR)
    assert newest is not None
    assert (newest.sitting, newest.read_count) == ("in the car over night", 2)
    assert "burnt" in {event.to_facts().get("reason") for event in told.events}


def test_what_was_said_waits_for_the_person_who_left(bench: Path) -> None:
    put_reads(bench, "door-donor-1")

    async def leave() -> None:
        async with sit_down(bench) as desk:
            await answer_order(desk, "9", VEHICLE_VIN)
            await desk.press("d", "enter")
            await desk.type("95160")
            await desk.press("enter")
            await desk.press("escape", "m", "down", "down", "down", "enter")
            await desk.type("burnt")
            await desk.press("enter", "escape", "escape")

    async def take_up(*keys: str) -> tuple[str, str]:
        async with sit_down(bench) as desk:
            await desk.press("f2", "enter", "enter")
            assert desk.screen == "PickReads"
            said = desk.text()
            await desk.press(*keys)
            return said, desk.text()

    run(leave())
    said, _ = run(take_up())
    assert "Memory: 95160=95160" in said
    assert "The original cannot be read" in said
    _, left = run(take_up("m", *["down"] * 4, "enter"))
    assert "cannot be read" not in left.split("door-donor-1.bin")[-1]
    said, _ = run(take_up())
    assert "cannot be read" not in said
    assert "door-donor-1.bin" in said


def test_an_answer_that_somebody_broke_is_asked_again(bench: Path) -> None:
    put_reads(bench, "door-donor-1")
    kept = bench.parent / "state" / "benchimage" / "desk.json"
    answers = [
        {"what": what, "memory": memory, "text": text, "more": "", "job": None}
        for what, memory, text in (
            ("memory", "95160", "no chip"),
            ("order", "95160", "upside down"),
            ("not_read", None, "here and there"),
            ("sitting", None, "in the car"),
            ("nothing", None, "at all"),
        )
    ]
    kept.parent.mkdir(parents=True)
    kept.write_text(json.dumps({"answers": [*answers, {"what": 1}, "no answer"]}))

    async def look() -> str:
        async with sit_down(bench) as desk:
            await answer_order(desk, "9", VEHICLE_VIN)
            return desk.text()

    said = run(look())
    assert "Counted anew: in the car" in said
    assert "Memory:" not in said
    assert "Not read:" not in said


def test_a_job_begins_with_the_reads_of_another(job: Path) -> None:
    async def begin() -> str:
        async with sit_down(job.parent) as desk:
            await desk.press("f6")
            await desk.type("the kind was a slip")
            await desk.press("enter")
            await desk.type("8")
            await desk.press(*["enter"] * 4)
            assert "Proof of ownership" in desk.text()
            await desk.type("seen")
            await desk.press(*["enter"] * 5)
            await desk.type("RA")
            await desk.press("enter", "enter")
            assert desk.screen == "ResultScreen"
            return ran(desk)

    command = run(begin())
    assert "--from order-7" in command
    assert "--reason 'the kind was a slip'" in command
    told = open_job(job.parent / "order-8").job
    assert told.taken_over is not None
    assert told.order.vehicle_vin == VEHICLE_VIN
    assert {each.role for each in told.backups} == {Role.ORIGINAL, Role.DONOR}


def test_a_fresh_read_of_the_donor_and_the_scan_tools_word_are_checked(job: Path) -> None:
    fresh = job.parent / "fresh.bin"
    shutil.copyfile(IMAGES / "door-donor-1.bin", fresh)

    async def judge() -> list[str]:
        said = []
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("enter")
            assert desk.verdict() == "Verdict: pass"
            touch(fresh)
            await desk.press("f", "enter")
            assert desk.verdict() == "Verdict: pass"
            said.append(ran(desk))
            await desk.press("enter")
            touch(job.parent / "door-read-back.bin")
            await desk.press("enter", "enter", "enter", "enter")
            await desk.press("f9")
            await desk.type(VEHICLE_VIN.lower())
            await desk.press("enter")
            await desk.type("none")
            await desk.press("enter")
            said.append(ran(desk))
            assert desk.verdict().startswith("Verdict: ")
            await desk.press("enter")
            assert desk.screen == "JobScreen"
        return said

    target, reported = run(judge())
    assert "--stage before-writing --target fresh.bin" in target
    assert f"--reported-vin {VEHICLE_VIN} --codes none" in reported
    checks = open_job(job).job.stage_checks
    assert checks[-1].stage is Stage.AFTER_SETUP
    assert checks[-1].verdict is not StageVerdict.FAIL


def test_a_scan_tool_that_reports_the_donors_vin_fails_the_module(job: Path) -> None:
    async def judge() -> str:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("enter", "enter")
            touch(job.parent / "door-read-back.bin")
            await desk.press("enter", "enter", "enter", "enter", "f9")
            await desk.type(DONOR_VIN)
            await desk.press("enter", "enter")
            return desk.verdict()

    assert run(judge()).startswith("Verdict: fail")


def test_an_order_without_a_number_is_not_taken(bench: Path) -> None:
    async def order() -> str:
        async with sit_down(bench) as desk:
            await desk.press("f2", "enter")
            return desk.text()

    said = run(order())
    assert "Work order number" in said
    assert "Please say it in words." in said


def test_reads_of_two_memories_that_nobody_named_do_not_differ(bench: Path) -> None:
    put_reads(bench, "tailgate-donor")

    async def pick() -> str:
        async with sit_down(bench) as desk:
            await answer_order(desk, "7", VEHICLE_VIN)
            await desk.press("d", "d", "d", "d")
            return desk.text()

    rows = [line.split() for line in run(pick()).split("\n") if line.split()[:1] == ["donor"]]
    assert [row[4] for row in rows] == ["first", "yes", "first", "yes"]


def test_no_scan_tool_is_asked_before_setup(job: Path) -> None:
    async def look() -> str:
        async with sit_down(job.parent, job=job) as desk:
            await desk.press("enter", "enter", "enter")
            assert "Take it" in desk.text()
            return desk.text()

    assert "scan tool" not in run(look())
