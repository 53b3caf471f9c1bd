"""Every event says itself in JSON and reads itself; jobs of 0.1.0 are read.

The kept journals were written by benchimage 0.1.0 itself; see the README beside them. What
is expected of them stands here as it was read in their lines with common tools.
"""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from memtool.core.finding import Check, Verdict
from memtool.core.job.edit import Edit, Edits, KeptSpan
from memtool.core.job.events.event import Event, Judged, facts_to_text
from memtool.core.job.events.kinds import (
    EVENTS,
    AreaSettled,
    CommandRun,
    FileAttached,
    FilesIntended,
    ImageBlanked,
    IntendedFile,
    JobOpened,
    LayoutChosen,
    LayoutNamed,
    NamedRegion,
    NoteAdded,
    OrderAmended,
    OriginalUnreadable,
    ReadsBackedUp,
    RegionReleased,
    ReportWritten,
    StageChecked,
    TornLineKept,
)
from memtool.core.job.events.memory_kinds import (
    BackupRestored,
    MemoryDeclared,
    ReaderOrderSet,
    ReadsTakenOver,
    ReadWithdrawn,
)
from memtool.core.job.events.person_kinds import DecisionMade, FunctionTested
from memtool.core.job.job import Job, add_event, build_job
from memtool.core.job.order import Order
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import RegionKind
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.store.journal import append_entry, read_journal

KEPT = Path(__file__).parent / "journals_0_1_0"
COMMON: dict[str, Any] = {
    "memory": "eeprom",
    "judged": Judged(layout="aa", file="bb", backups=("c1",), vehicle_vin="dd", reads=("ee",)),
    "tool": "9.9",
    "intent": 4,
    "number": 5,
    "time": "2026-03-14T09:00:00+01:00",
}
CHECKS = (
    Check(code="a", result=Verdict.PASS, text="Good.", spans=(Span(1, 3),)),
    Check(code="b", result=Verdict.NOT_CHECKED, text="Open.", reason="no layout"),
)
BLANKED = ImageBlanked(
    **COMMON,
    backup="c1",
    out="out.bin",
    copy="files/out.bin",
    format="raw",
    sha256="aa",
    file_sha256="bb",
    donor_sha256="cc",
    layout=None,
    identities=("1M8GDM9AXKP042788",),
    edits=Edits.of(
        [Edit(span=Span(4, 6), old=b"\x01\xab", new=b"\xff\xff", reason="r", kind=RegionKind.STATE)]
    ),
    kept=(KeptSpan(span=Span(8, 9), reason="counter"),),
    checks=CHECKS,
)
BACKED_UP = ReadsBackedUp(
    **COMMON,
    backup="c1",
    role=Role.DONOR,
    chip="95160",
    sha256="aa",
    size=2048,
    format="raw",
    base=0,
    read_count=2,
    agree=True,
    single_read_reason=None,
    names=("d1.bin", "d2.bin"),
    read_digests=("aa", "aa"),
    sitting="second",
)
SAMPLES: tuple[Event, ...] = (
    JobOpened(**COMMON, order=Order(vehicle_vin="V", module_kind=ModuleKind.BODY)),
    OrderAmended(**COMMON, order=Order(complaint="dead"), reason="typed wrong"),
    OriginalUnreadable(**COMMON, reason="burnt"),
    BACKED_UP,
    LayoutNamed(
        **COMMON,
        name="door",
        sha256="a" * 64,
        module=ModuleKind.BODY,
        reviewed=True,
        span=Span(0, 256),
        regions=(NamedRegion(name="keys", span=Span(4, 8), kind=RegionKind.PROTECTED),),
    ),
    DecisionMade(
        **COMMON,
        stage=Stage.DONOR,
        entry=4,
        point="health",
        code="health",
        found="Odd.",
        text="Looked at it.",
        name="N. N.",
    ),
    FunctionTested(
        **COMMON,
        text="both doors",
        ok=True,
        supply_voltage="13.4 V",
        codes_before="B1",
        codes_after="none",
        calibration="none needed",
    ),
    RegionReleased(**COMMON, span=Span(4, 8), name="N. N.", reason="it is a counter"),
    AreaSettled(**COMMON, spans=(Span(4, 8),), how="not-read", reason="the loader hides it"),
    MemoryDeclared(**COMMON, chip="95160"),
    ReaderOrderSet(**COMMON, order="swapped-16", how="named", reason="The technician said so."),
    BackupRestored(
        **COMMON, backup="c1", role=Role.DONOR, out="b.bin", sha256="ee", file_sha256="ff"
    ),
    ReadsTakenOver(
        **COMMON,
        job="0123456789abcdef",
        folder="order-17",
        work_order="17",
        module_kind=ModuleKind.AIRBAG,
        reason="wrong kind chosen",
        sitting=None,
    ),
    ReadWithdrawn(
        **COMMON,
        role=Role.DONOR,
        backup="c1",
        name="d2.bin",
        sha256="ee",
        reason="the clip slipped",
    ),
    LayoutChosen(**COMMON, name="door", path="files/l.toml", sha256="aa", reviewed=True),
    BLANKED,
    StageChecked(
        **COMMON,
        stage=Stage.DONOR,
        verdict=StageVerdict.INCOMPLETE,
        checks=CHECKS,
        subject="d1.bin",
        sha256="aa",
        copy=None,
        reported_vins=("1M8GDM9AXKP042788",),
    ),
    NoteAdded(**COMMON, text="dead after water"),
    FileAttached(**COMMON, path="attachments/a.jpg", name="l.jpg", sha256="aa", caption=None),
    ReportWritten(**COMMON, shop=False),
    CommandRun(**COMMON, command="find", details={"telling_matches": 2, "more": [None, {"a": 1}]}),
    FilesIntended(
        **COMMON, purpose="image-blanked", files=(IntendedFile(path="out.bin", sha256="aa"),)
    ),
    TornLineKept(**COMMON, line=3, size=12, sha256="aa", text='{"sha'),
)


def test_there_is_a_sample_of_every_kind() -> None:
    assert {event.kind for event in SAMPLES} == set(EVENTS)


@pytest.mark.parametrize("event", SAMPLES, ids=lambda event: str(event.kind))
def test_an_event_reads_what_it_wrote(event: Event) -> None:
    facts = json.loads(json.dumps(event.to_facts(), allow_nan=False))
    assert "number" not in facts
    assert facts["memory"] == "eeprom"
    assert facts["tool"] == "9.9"
    assert facts["judged"]["vehicle_vin"] == "dd"
    assert type(event).from_facts(facts, number=5, time=event.time) == event


@pytest.mark.parametrize("event", SAMPLES, ids=lambda event: str(event.kind))
def test_a_missing_an_unknown_and_a_retyped_fact_are_named(event: Event) -> None:
    facts = event.to_facts()
    for name in facts:
        rest = {key: value for key, value in facts.items() if key != name}
        with pytest.raises(ValueError, match=f"'{name}'"):
            type(event).from_facts(rest, number=5, time=event.time)
        # No fact of any event is a list of one empty list.
        with pytest.raises(ValueError, match=f"'{name}"):
            type(event).from_facts({**facts, name: [[]]}, number=5, time=event.time)
    with pytest.raises(ValueError, match="'unknown'"):
        type(event).from_facts({**facts, "unknown": 1}, number=5, time=event.time)


@pytest.mark.parametrize(
    ("event", "change"),
    [
        (BACKED_UP, {"read_count": True}),
        (BACKED_UP, {"read_count": 2.0}),
        (BACKED_UP, {"base": 1 << 32}),
        (BACKED_UP, {"names": ["d1.bin", 2]}),
        (BACKED_UP, {"judged": {**BACKED_UP.to_facts()["judged"], "more": 1}}),
        (BLANKED, {"copy": "../out.bin"}),
        (BLANKED, {"copy": "/out.bin"}),
        (BLANKED, {"identities": ["a\n"]}),
        (BLANKED, {"edits": [{**BLANKED.to_facts()["edits"][0], "old": "01"}]}),
        (BLANKED, {"edits": [{**BLANKED.to_facts()["edits"][0], "old": "zz"}]}),
        (BLANKED, {"edits": BLANKED.to_facts()["edits"] * 2}),
    ],
)
def test_what_no_command_writes_is_refused(event: Event, change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"'|edit"):
        type(event).from_facts({**event.to_facts(), **change}, number=5, time=event.time)


@pytest.mark.parametrize(
    "text",
    [
        "windows: \U0001f697, \u00fc, \x7f",
        "a byte of a name: \udcff",
        "both: \udcff \U0001f697",
        "a private character: \U0010d8ff",
        "written out: \\udcff",
    ],
)
def test_any_text_comes_back_from_the_journal(text: str, tmp_path: Path) -> None:
    facts = NoteAdded(text=text, tool="0.2.0").to_facts()
    path = tmp_path / "journal.jsonl"
    for name in ("one", "two"):
        append_entry(path, kind=name, facts=facts, time="2026-03-01T10:00:00+01:00", version=2)
    for entry in read_journal(path):
        event = NoteAdded.from_text(entry.text, entry.facts, number=entry.number, time=entry.time)
        assert event.text == text


def test_an_event_that_nobody_could_read_is_never_made() -> None:
    with pytest.raises(ValueError, match="base"):
        replace(BACKED_UP, base=1 << 32)
    with pytest.raises(ValueError, match="path"):
        replace(BLANKED, copy="files/../../x")


def test_an_intent_is_open_until_an_event_names_it() -> None:
    job = Job(opened="", order=Order())
    intent = FilesIntended(
        number=2, purpose="attached", files=(IntendedFile(path="a-1", sha256="aa"),)
    )
    again = replace(intent, number=4)
    job = add_event(add_event(job, intent), NoteAdded(number=3, text="x"))
    assert job.unfinished == (intent,)
    job = add_event(job, again)
    assert job.unfinished == (again,)
    done = FileAttached(number=5, intent=4, path="a-1", name="a", sha256="aa", caption=None)
    assert add_event(job, done).unfinished == ()


def test_one_fold_at_a_time_is_the_fold_of_all() -> None:
    entries = read_journal(KEPT / "order-1042.jsonl")
    whole = build_job(entries)
    step = build_job(entries[:1])
    for event in whole.events[1:]:
        step = add_event(step, event)
    assert step == whole


def journal(name: str) -> Job:
    return build_job(read_journal(KEPT / f"{name}.jsonl"))


@pytest.mark.parametrize("name", ["order-1042", "order-1077"])
def test_a_job_of_the_first_version_is_read(name: str) -> None:
    raw = [json.loads(line) for line in (KEPT / f"{name}.jsonl").read_text().splitlines()]
    job = journal(name)
    assert [event.title for event in job.events] == [line["kind"] for line in raw]
    assert {event.tool for event in job.events} == {"0.1.0"}
    assert all(event.judged == Judged() for event in job.events)
    chips = {line["facts"]["chip"] for line in raw if line["kind"] == "reads-kept"}
    assert len(chips) == 1
    assert job.memories == tuple(chip.lower() for chip in chips)
    blanked = [line["facts"] for line in raw if line["kind"] == "image-blanked"]
    assert len(job.blankings) == len(blanked) > 0
    for made, facts in zip(job.blankings, blanked, strict=True):
        assert made.memory == facts["chip"].lower()
        assert [
            (edit.span.start, edit.span.end, edit.old.hex(), edit.new.hex()) for edit in made.edits
        ] == [(edit["start"], edit["end"], edit["old"], edit["new"]) for edit in facts["edits"]]
        assert [check.code for check in made.checks] == [each["code"] for each in facts["checks"]]
    checked = [line["facts"] for line in raw if line["kind"] == "stage-checked"]
    assert [(done.stage.value, done.verdict.value, done.memory) for done in job.stage_checks] == [
        (facts["stage"], facts["verdict"], facts["chip"].lower()) for facts in checked
    ]
    backup = job.newest_backup(Role.DONOR)
    assert backup is not None
    assert backup.read_digests == (backup.sha256,) * backup.read_count


def test_a_chip_that_nobody_knows_keeps_its_name_and_one_in_another_spelling_is_one() -> None:
    job = journal("unknown-chip")
    assert job.memories == ("24c16", "D-flash")
    assert job.original_unreadable == "burnt"
    assert job.order.complaint == "dead"
    assert [note.text for note in job.notes] == ["seen by 0.1.0"]
    newest = job.newest_backup(Role.DONOR, "M24C16")
    assert newest is not None
    assert newest.chip == "24C16"
    memory = job.module(Role.DONOR).memory("D-flash")
    assert memory is not None
    assert (memory.chip, memory.size, len(memory.backups)) == ("D-flash", 2048, 1)
    assert job.module(Role.REFERENCE).memories == ()


def test_every_event_has_the_facts_that_all_share() -> None:
    shared = {"memory", "judged", "tool", "intent"}
    for event in EVENTS.values():
        assert shared <= {item.name for item in fields(event)}


DIGITS = "0123456789abcdef" * 5000
LONG_FACTS: tuple[dict[str, Any], ...] = (
    {
        "edits": {"edges": (1, 2), "old": [[DIGITS, 1], ["ff", 90], [DIGITS + "00", 2]]},
        "a": "\xe9\n",
    },
    {
        "blanks": DIGITS + " 00",
        "odd": DIGITS + "0",
        "text": DIGITS + '"',
        "no digits": DIGITS + "\0g",
    },
    {"first": DIGITS, "second": None, "third": [], "fourth": {}, "fifth": [[], DIGITS, 1.5]},
    {"the mark of a long text": "\0 long \0", "digits": DIGITS},
    {"\0 long \0": 1},
    {"lone": "\ud800", "digits": DIGITS},
)


@pytest.mark.parametrize("facts", LONG_FACTS, ids=lambda facts: next(iter(facts)).strip("\0"))
def test_long_facts_are_the_text_that_json_makes_of_them(facts: dict[str, Any]) -> None:
    assert facts_to_text(facts) == json.dumps(facts)
