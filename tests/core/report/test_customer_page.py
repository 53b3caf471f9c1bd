"""Page one's facts: the outcome in a word, the story, the serial numbers on the labels.

What must stand there is common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from memtool.core.finding import Check, Verdict
from memtool.core.image import Image
from memtool.core.job.events.person_kinds import FunctionTested
from memtool.core.job.job import Job
from memtool.core.job.order import OldModule, Order
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.report.customer_page import (
    compare_serials,
    judge_outcome,
    tell_statements,
    tell_story,
)
from memtool.core.report.customer_points import ABOUT, tell_points
from memtool.core.report.report import ImagePlace, Outcome
from memtool.core.report.report_proof import find_stages, list_open_points
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, module_memory
from tests.core.report.test_report_proof import (
    BLANKED,
    DONE,
    READ,
    WRITTEN,
    blanking,
    check,
    with_check,
)

ROOT = Path(__file__).parents[3]
_CODES = re.compile(
    r"""(?:(?:passed|failed|undecided|to_decide|not_checked)\(\s*|code(?:, \w+)? = \(?|code=)"""
    r"\"([a-z][a-z-]+)\""
)
FAILED = with_check(WRITTEN, check(8, Stage.AFTER_SETUP, StageVerdict.FAIL))
NOT_WRITTEN = with_check(BLANKED, check(7, Stage.AFTER_WRITING, StageVerdict.FAIL))
REPORTED = with_check(WRITTEN, check(8, Stage.AFTER_SETUP, read=False))
INCOMPLETE = with_check(WRITTEN, check(8, Stage.AFTER_SETUP, StageVerdict.INCOMPLETE))
STALE = replace(DONE, blankings=(blanking(5), replace(blanking(9), sha256="3" * 64)))
TESTED = replace(DONE, function_tests=(FunctionTested(text="doors", ok=True),))
BROKEN = replace(TESTED, function_tests=(FunctionTested(text="doors", ok=False),))


@pytest.mark.parametrize(
    ("job", "without", "outcome"),
    [
        (DONE, (), Outcome.DONE),
        (TESTED, (), Outcome.DONE),
        (DONE, ("One point.",), Outcome.OPEN),
        (REPORTED, (), Outcome.OPEN),
        (INCOMPLETE, (), Outcome.OPEN),
        (BROKEN, (), Outcome.NOT_DONE),
        (FAILED, (), Outcome.NOT_DONE),
        (NOT_WRITTEN, (), Outcome.NOT_DONE),
        (STALE, (), Outcome.NOT_DONE),
        (WRITTEN, (), Outcome.NOT_DONE),
        (BLANKED, (), Outcome.NOT_DONE),
        (READ, (), Outcome.NOT_DONE),
        (Job(opened="", order=Order()), (), Outcome.NOT_DONE),
    ],
)
def test_done_is_said_only_where_nothing_is_left(
    job: Job, without: tuple[str, ...], outcome: Outcome
) -> None:
    assert judge_outcome(job, find_stages(job), without) is outcome


@pytest.mark.parametrize(
    ("job", "sentence"),
    [
        (DONE, "read once more: it holds this vehicle's VIN and no other."),
        (REPORTED, "a scan tool reports its VIN."),
        (INCOMPLETE, "some points are open."),
        (FAILED, "The check after the maker's setup procedure failed."),
        (BROKEN, "The test on the vehicle was not passed."),
        (NOT_WRITTEN, "does not hold what was to be programmed."),
        (WRITTEN, "was not checked after the maker's setup procedure."),
        (BLANKED, "It is not on record that the module was programmed and read again."),
        (READ, "Nothing was changed in any memory."),
        (Job(opened="", order=Order()), "No module was read."),
    ],
)
def test_the_story_says_what_was_not_done(job: Job, sentence: str) -> None:
    story = " ".join(tell_story(job, find_stages(job)))
    assert sentence in story
    if job not in (DONE,):
        assert "holds this vehicle's VIN and no other" not in story
    assert story.count(". ") <= 6


def test_the_story_names_the_complaint_and_the_module() -> None:
    job = replace(DONE, order=replace(DONE.order, complaint="door dead after rain."))
    assert tell_story(job, find_stages(job))[0] == (
        "The body module of this vehicle was to be replaced by a used one; the complaint: door"
        " dead after rain."
    )


def test_a_removed_vin_a_core_and_the_limits_of_a_check_are_said() -> None:
    plain = " ".join(tell_statements(DONE, find_stages(DONE)))
    assert "Checks on files are no safety release." in plain
    assert "Where the old module is now is not on record." in plain
    assert "was removed" not in plain
    removed = replace(DONE, blankings=(replace(blanking(5), identities=(DONOR_VIN,)),))
    assert (
        "The used part's earlier VIN was removed on the customer's order; the vehicle's VIN plates"
        " were not touched. Removing a VIN is restricted in some countries."
    ) in tell_statements(removed, find_stages(DONE))
    assert "in the file to program alone" in tell_statements(removed, ())[0]
    for where in OldModule:
        (said,) = (
            text
            for text in tell_statements(
                replace(DONE, order=replace(DONE.order, old_module=where)), ()
            )
            if "old module" in text
        )
        carries = where in (OldModule.CORE, OldModule.SHOP)
        assert ("carries this vehicle's VIN, and may carry its keys" in said) is carries


IMAGE = Image.from_bytes(module_memory(serial=b"SN-0007731-AB   "))


@pytest.mark.parametrize(
    ("label", "with_layout", "held", "result"),
    [
        ("SN-0007731-AB", True, "SN-0007731-AB", Verdict.PASS),
        ("sn 0007731 ab", True, "SN-0007731-AB", Verdict.PASS),
        ("SN-0007732-AB", True, "SN-0007731-AB", Verdict.FAIL),
        (None, True, "SN-0007731-AB", Verdict.NOT_CHECKED),
        ("SN-0007731-AB", False, "SN-0007731-AB", Verdict.PASS),
        ("SN-0007732-AB", False, None, Verdict.NOT_CHECKED),
        (None, False, None, Verdict.NOT_CHECKED),
    ],
)
def test_the_serial_on_the_label_is_compared_with_the_memorys(
    label: str | None, with_layout: bool, held: str | None, result: Verdict
) -> None:
    job = replace(DONE, order=replace(DONE.order, donor_serial=label))
    layouts = {"95160": parse_layout(LAYOUT)} if with_layout else {}
    original, donor = compare_serials(job, {"95160": {ImagePlace.DONOR: IMAGE}}, layouts)
    assert (donor.label, donor.memory, donor.result) == (label, held, result)
    assert (original.label, original.memory, original.result) == (None, None, Verdict.NOT_CHECKED)


def open_check(code: str, result: Verdict, text: str) -> Job:
    """A finished job whose check after setup left one answer that is not a pass."""
    made = check(8, Stage.AFTER_SETUP, StageVerdict.INCOMPLETE)
    reason = "no layout" if result is Verdict.NOT_CHECKED else None
    answer = Check(code=code, result=result, text=text, reason=reason)
    return with_check(WRITTEN, replace(made, checks=(*made.checks, answer)))


@pytest.mark.parametrize(
    ("code", "result", "text", "said"),
    [
        (
            *("changed-bytes", Verdict.DECIDE, "1 byte outside the layout's regions changed."),
            "For a person to decide: places in the memory that changed, other than planned.",
        ),
        (
            *("configuration", Verdict.NOT_CHECKED, "The configuration was not compared."),
            "Not checked: the equipment settings of the vehicle.",
        ),
        (
            *("vins", Verdict.FAIL, "At 0x0120-0x0130 stands another VIN."),
            "Check failed: whether every VIN in the module is this vehicle's.",
        ),
        (
            *("an-answer-of-tomorrow", Verdict.DECIDE, "XYZ at 0x0010."),
            "For a person to decide: the module, after the maker's setup procedure.",
        ),
    ],
)
def test_an_open_point_is_said_in_a_customers_words(
    code: str, result: Verdict, text: str, said: str
) -> None:
    job = open_check(code, result, text)
    points = tell_points(job, find_stages(job))
    assert said in points
    assert not any("0x" in point or "layout" in point for point in points)
    assert any(text.rstrip(".") in point for point in list_open_points(job, find_stages(job)))


def test_every_check_of_a_stage_has_words_for_the_customer() -> None:
    """The codes stand in the source: a new check wants its own words here."""
    named = {
        code
        for path in (ROOT / "memtool" / "core" / "job" / "stages").glob("*.py")
        for code in _CODES.findall(path.read_text(encoding="utf-8"))
    }
    assert len(named) > 30
    assert named - set(ABOUT) == set()


def test_a_point_of_two_memories_is_said_once() -> None:
    job = Job(opened="", order=Order())
    points = tell_points(job, find_stages(job))
    assert len(points) == len(set(points))
    assert "No used module was read." in points
