"""The demo's jobs played at the desk, from the first screen to the report."""

from __future__ import annotations

from pathlib import Path

from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import find_standing
from memtool.demo import door, seat, tailgate
from memtool.workflow.jobs import OpenJob, open_job
from tests.desk.sitting import (
    IMAGES,
    Sitting,
    answer_order,
    put_reads,
    run,
    sit_down,
    touch,
)

MOST_KEYS = 120
"""For the normal job, files included; by commands it takes nine and 438 keys."""


def verdicts(opened: OpenJob) -> dict[Stage, set[StageVerdict]]:
    """Where each stage stands, over all memories."""
    found: dict[Stage, set[StageVerdict]] = {}
    for stage in Stage:
        for memory in opened.job.memories:
            standing = find_standing(opened.job, stage, memory)
            if standing is not None:
                found.setdefault(stage, set()).add(standing.verdict)
    return found


def kinds(opened: OpenJob) -> list[str]:
    """What the journal tells, without the files that were announced."""
    return [event.kind for event in opened.job.events if event.kind != "files-intended"]


def test_the_normal_job_takes_keys_alone_and_few_of_them(bench: Path) -> None:
    put_reads(bench, "door")

    async def play() -> None:
        async with sit_down(bench) as desk:
            await answer_order(desk, "1042", door.VEHICLE_VIN)
            await desk.press("d", "d", "down", "o", "o", "down", "l", "enter", "enter")
            assert desk.verdict() == "No check failed; 1 point for you to decide. You can go on."
            await desk.press("enter")
            assert desk.screen == "JobScreen"
            await desk.press("enter")
            assert "some points are open" in desk.verdict()
            await desk.press("enter", "enter")
            await desk.type("serials must differ")
            await desk.press("enter", "enter")
            assert desk.screen == "BlankScreen"
            await desk.press("ctrl+end", "k")
            await desk.type("usage")
            await desk.press("enter", "enter")
            await desk.type(door.DONOR_VIN[-6:])
            await desk.press("enter")
            assert "written" in desk.verdict()
            await desk.press("enter", "enter")
            assert desk.verdict() == "Verdict: pass"
            touch(bench / "door-read-back.bin")
            await desk.press("enter", "enter", "enter")
            assert desk.verdict() == "Verdict: pass"
            touch(bench / "door-finished.bin")
            await desk.press("enter", "enter", "enter")
            assert desk.verdict() == "Verdict: pass"
            await desk.press("enter", "enter", "enter")
            assert desk.verdict().startswith("The module is configured for this vehicle")
            await desk.press("enter")
            assert "Next: nothing;" in desk.text()
            assert desk.keys < MOST_KEYS

    run(play())
    job = bench / "order-1042"
    opened = open_job(job)
    assert (job / "files" / "to-write-95160-1.bin").read_bytes() == (
        IMAGES / "door-read-back.bin"
    ).read_bytes()
    assert kinds(opened) == [
        *("job-opened", "reads-kept", "reads-kept", "layout-named", "layout-chosen"),
        *("stage-checked", "decision-made", "image-blanked"),
        *("stage-checked", "stage-checked", "stage-checked", "report-written"),
    ]
    assert list((job / "reports").glob("report-1.*"))


def test_a_job_with_two_memories_goes_by_keys_alone(bench: Path) -> None:
    put_reads(bench, "tailgate")

    async def play() -> None:
        async with sit_down(bench) as desk:
            await answer_order(desk, "1102", tailgate.VEHICLE_VIN)
            await desk.press(*"ddddl", "down", "down", *"looooo")
            await desk.press("enter", "enter")
            assert desk.verdict() == "No check failed; 2 points for you to decide. You can go on."
            await desk.press("enter", "enter", "enter", "enter", "enter")
            for _ in range(2):
                await desk.type("own serials")
                await desk.press("enter", "enter")
            await desk.press("enter")
            await desk.type(tailgate.DONOR_VIN[-6:])
            await desk.press("enter")
            assert "2 files written" in desk.verdict()
            await desk.press("enter", "enter")
            assert desk.verdict() == "Verdict: pass"
            await desk.press("enter")
            for name in ("read-back", "finished"):
                for memory in ("flash", "eeprom"):
                    touch(bench / f"tailgate-{name}-{memory}.bin")
                await desk.press("enter", "enter", "down", "enter")
                assert desk.verdict() == "Verdict: pass", name
                await desk.press("enter")
            await desk.press("enter", "enter")
            assert desk.verdict().startswith("The module is configured for this vehicle")

    run(play())
    assert_finished_in_both_memories(bench / "order-1102")


def assert_finished_in_both_memories(job: Path) -> None:
    opened = open_job(job)
    found = verdicts(opened)
    assert found[Stage.AFTER_SETUP] == {StageVerdict.PASS}
    assert found[Stage.AFTER_WRITING] == {StageVerdict.PASS}
    assert len(list((job / "files").glob("to-write-*"))) == 2
    assert list((job / "reports").glob("report-1.*"))
    assert opened.job.order.also_holds == ()


def test_a_job_with_two_memories_goes_by_the_mouse(bench: Path) -> None:
    """Texts are typed; every other action is a click."""
    put_reads(bench, "tailgate")

    async def play() -> None:
        async with sit_down(bench, size=(120, 44)) as desk:
            await desk.click_key("New job")
            await fill(desk, "1103", tailgate.VEHICLE_VIN)
            assert desk.screen == "PickReads"
            await give_all(desk)
            await desk.click_key("Back them up")
            await choose(desk, "yes")
            assert desk.verdict() == "No check failed; 2 points for you to decide. You can go on."
            await desk.click_key("Go on")
            await desk.click_key("Next")
            await desk.click_key("Go on")
            await desk.click_key("Old identity")
            await desk.click_key("Confirm")
            await desk.type(tailgate.DONOR_VIN[-6:])
            await desk.click_key("OK")
            assert "2 files written" in desk.verdict()
            await desk.click_key("Go on")
            await desk.click_key("Next")
            assert desk.verdict() == "Verdict: pass"
            await desk.click_key("Go on")
            for name in ("read-back", "finished"):
                await desk.click_key("Next")
                assert "A read of each memory: 4k, 93c66." in desk.text()
                for memory in ("eeprom", "flash"):
                    path = touch(bench / f"tailgate-{name}-{memory}.bin")
                    await click_file(desk, path.name)
                assert desk.verdict() == "Verdict: pass"
                await desk.click_key("Go on")
            await desk.click_key("Report")
            await desk.click_key("Customer's copy")
            assert desk.verdict().startswith("The module is configured for this vehicle")

    run(play())
    assert_finished_in_both_memories(bench / "order-1103")


async def fill(desk: Sitting, order: str, vin: str) -> None:
    """Answer what is asked of an order, by typing and clicks."""
    for text in (order, "", "", vin):
        await desk.type(text)
        await desk.click_key("Next")
    await desk.click_text("body")
    for _ in range(2):
        await desk.click_text("crash data")
    await desk.click_key("Next")
    await desk.type("registration seen")
    for text in ("", "", "", "", "", "RA"):
        await desk.type(text)
        await desk.click_key("Next")


async def give_all(desk: Sitting) -> None:
    """Click on each file and then on what it is."""
    memories = {"eeprom": 2, "flash": 3}
    for role in ("donor", "original"):
        for memory, most in memories.items():
            for number in range(1, 3 if role == "donor" else most + 1):
                await click_file(desk, f"tailgate-{role}-{memory}-{number}.bin")
                await desk.click_key(role.capitalize())
    for memory in memories:
        await click_file(desk, f"tailgate-{memory}.toml")
        await desk.click_key("Layout file")


async def choose(desk: Sitting, words: str) -> None:
    """Click on one of several answers."""
    await desk.click_text(words)


async def click_file(desk: Sitting, name: str) -> None:
    """Click on a file of the tree."""
    await desk.click_text(name)


def test_a_job_without_layout_is_drafted_reviewed_and_finished_by_keys(bench: Path) -> None:
    put_reads(bench, "seat")

    async def play() -> None:
        async with sit_down(bench) as desk:
            await answer_order(desk, "1077", seat.VEHICLE_VIN)
            await desk.press("d", "d", "down", "o", "o", "down", "f", "f", "enter")
            assert "Memory chip" in desk.text()
            await desk.type("24C04")
            await desk.press("enter", "enter", "enter")
            assert desk.screen == "JobScreen"
            await assert_vin_alone_is_refused(desk)
            await draft_and_review(desk)
            await desk.press("enter")
            assert desk.screen == "BlankScreen"
            await desk.press("enter")
            await desk.type(seat.DONOR_VIN[-6:])
            await desk.press("enter", "enter", "enter", "enter")
            for name in ("read-back", "finished"):
                touch(bench / f"seat-{name}.bin")
                await desk.press("enter", "enter", "enter")
            assert "Next: you decide" in desk.text()
            await desk.press("enter")
            await desk.type("moved in the test")
            await desk.press("enter", "enter", "enter", "enter")
            assert "Next: nothing" in desk.text()

    run(play())
    job = bench / "order-1077"
    opened = open_job(job)
    made = next((job / "files").glob("to-write-*"))
    assert made.read_bytes() == (IMAGES / "seat-read-back.bin").read_bytes()
    assert kinds(opened)[-1] == "report-written"
    assert verdicts(opened)[Stage.AFTER_SETUP] == {StageVerdict.PASS}


async def assert_vin_alone_is_refused(desk: Sitting) -> None:
    """The gate's own words, as verdict of the plan and as an answer to Enter."""
    await desk.press("b", "v", "enter")
    refusal = "a layout can refresh it, a VIN alone would break it"
    assert refusal in " ".join(desk.verdict().split())
    await desk.press("enter")
    assert refusal in desk.notice()
    await desk.press("enter", "escape")


async def draft_and_review(desk: Sitting) -> None:
    """Draft a layout, say yes to every guess, and come back to the job."""
    await desk.press("enter", "enter", "enter")
    assert desk.screen == "ReviewScreen"
    for _ in range(30):
        if "17 of 17 guesses answered" in desk.text():
            break
        await desk.press("y")
    await desk.press("f", "enter")
    assert "accepted  17" in desk.text()
    for _ in range(5):
        await desk.press("escape")
        if desk.screen == "JobScreen":
            return
