"""The journal's entries fold into one object; what does not fit is an error.

The entries here are of version 1: what 0.1.0 wrote folds as before.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import pytest

from memtool.core.job.job import build_job
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.layouts.layout import ModuleKind
from memtool.core.role import Role


@dataclass
class Entry:
    number: int
    kind: str
    facts: dict[str, Any] = field(default_factory=dict)
    time: str = "2026-03-14T09:00:00+01:00"
    version: int = 1

    @property
    def text(self) -> str:
        return json.dumps(self.facts)


READS = {
    "backup": "b1",
    "role": "donor",
    "chip": "95160",
    "sha256": "aa",
    "size": 2048,
    "format": "raw",
    "base": 0,
    "reads": 2,
    "agree": True,
    "single_read_reason": None,
    "reseated": "yes",
    "names": ["d1.bin", "d2.bin"],
    "findings": [],
}
OPENED = Entry(1, "job-opened", {"vehicle_vin": "V", "module_kind": "body"})


def test_order_is_opened_and_amended() -> None:
    job = build_job([OPENED, Entry(2, "order-amended", {"authority": "order 7"})])
    assert job.order.vehicle_vin == "V"
    assert job.order.module_kind is ModuleKind.BODY
    assert job.order.authority == "order 7"


def test_newest_reads_of_a_role_and_chip_are_the_ones_meant() -> None:
    other = {**READS, "backup": "b2", "sha256": "bb"}
    elsewhere = {**READS, "backup": "b3", "chip": "93C66"}
    job = build_job(
        [
            OPENED,
            Entry(2, "reads-kept", READS),
            Entry(3, "reads-kept", other),
            Entry(4, "reads-kept", elsewhere),
        ]
    )
    latest = job.newest_backup(Role.DONOR, "95160")
    assert latest is not None
    assert latest.backup == "b2"
    assert job.newest_backup(Role.ORIGINAL) is None
    assert [kept.number for kept in job.backups_of(Role.DONOR)] == [2, 3, 4]


def test_unknown_kinds_are_kept_as_events_and_change_nothing() -> None:
    job = build_job([OPENED, Entry(2, "of-a-later-version", {"x": 1})])
    assert [event.title for event in job.events] == ["job-opened", "of-a-later-version"]


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ([], "empty"),
        ([Entry(1, "note", {"text": "x"})], "does not open a job"),
        ([OPENED, Entry(2, "note", {})], "entry 2"),
        ([OPENED, Entry(2, "reads-kept", {**READS, "role": "nobody"})], "entry 2"),
        ([OPENED, Entry(2, "reads-kept", {**READS, "unknown": 1})], "entry 2"),
        ([OPENED, Entry(2, "order-amended", {"module_kind": "spaceship"})], "entry 2"),
        ([Entry(1, "job-opened", {"module_kind": "spaceship"})], "entry 1"),
    ],
)
def test_entries_that_do_not_fit_are_an_error(entries: list[Entry], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        build_job(entries)


BLANKED: dict[str, Any] = {
    "backup": "b1",
    "chip": "95160",
    "out": "out.bin",
    "copy": "files/out.bin",
    "format": "raw",
    "sha256": "cc",
    "file_sha256": "cc",
    "donor_sha256": "aa",
    "layout": None,
    "identities": ["1M8GDM9AXKP042788"],
    "kept": [],
    "checks": [],
    "leftovers": [],
    "edits": [
        {"start": 4, "end": 6, "old": "0102", "new": "ffff", "reason": "r", "kind": "state"},
        {"start": 6, "end": 7, "old": "03", "new": "ff", "reason": "r", "kind": "state"},
    ],
}
NOTED = {"text": "dead after water"}
ATTACHED = {"path": "attachments/label.jpg", "name": "label.jpg", "sha256": "dd", "caption": None}


@pytest.mark.parametrize(
    ("kind", "facts", "change"),
    [
        ("reads-kept", READS, {"names": ["d1.bin", 2]}),
        ("reads-kept", READS, {"reads": True}),
        ("reads-kept", READS, {"reads": 0}),
        ("reads-kept", READS, {"base": -1}),
        ("reads-kept", READS, {"base": 1 << 32}),
        ("reads-kept", READS, {"format": "srec"}),
        ("image-blanked", BLANKED, {"format": "srec"}),
        ("image-blanked", BLANKED, {"copy": "../out.bin"}),
        ("image-blanked", BLANKED, {"copy": "/out.bin"}),
        ("image-blanked", BLANKED, {"identities": "1M8GDM9AXKP042788"}),
        ("image-blanked", BLANKED, {"identities": [17]}),
        ("image-blanked", BLANKED, {"edits": BLANKED["edits"][::-1]}),
        ("image-blanked", BLANKED, {"edits": [BLANKED["edits"][0] | {"old": "01"}]}),
        ("image-blanked", BLANKED, {"edits": [BLANKED["edits"][0] | {"new": "01"}]}),
        ("note", NOTED, {"text": None}),
        ("attached", ATTACHED, {"path": "a\0b"}),
        ("attached", ATTACHED, {"path": "files/../../x"}),
        ("order-amended", {}, {"complaint": 5}),
        ("original-unreadable", {"reason": "burnt"}, {"reason": 5}),
    ],
)
def test_fact_that_no_command_writes_is_an_error(
    kind: str, facts: dict[str, Any], change: dict[str, Any]
) -> None:
    build_job([OPENED, Entry(2, kind, facts)])
    with pytest.raises(ValueError, match="lacks or garbles"):
        build_job([OPENED, Entry(2, kind, facts | change)])


def test_newest_check_of_a_stage() -> None:
    facts: dict[str, Any] = {
        "stage": "donor",
        "chip": "95160",
        "verdict": "incomplete",
        "checks": [],
        "subject": None,
        "sha256": None,
        "copy": None,
        "reported_vins": [],
        "codes": None,
    }
    job = build_job(
        [
            OPENED,
            Entry(2, "stage-checked", facts),
            Entry(3, "stage-checked", {**facts, "verdict": "pass"}),
        ]
    )
    newest = job.latest_check(Stage.DONOR)
    assert newest is not None
    assert newest.verdict is StageVerdict.PASS
    assert job.latest_check(Stage.AFTER_SETUP) is None
