"""What `job show` shows: the order, what was done, what is missing."""

from __future__ import annotations

from typing import Any

from memtool.core.job.decisions import points_to_facts
from memtool.core.job.events.event import Event
from memtool.core.job.events.kinds import (
    CommandRun,
    FileAttached,
    FilesIntended,
    ImageBlanked,
    NoteAdded,
    ReadsBackedUp,
    StageChecked,
)
from memtool.core.job.events.memory_kinds import ReadsTakenOver
from memtool.core.job.events.person_kinds import DecisionMade, FunctionTested
from memtool.core.job.job import Job
from memtool.core.job.parts import tell_stage
from memtool.core.job.stages.function_test import TESTED_KINDS
from memtool.core.job.standing import (
    find_standing,
    stages_of,
    standing_of,
    tell_again,
    tell_changed,
)
from memtool.core.words import count_of, spaced
from memtool.render.json.as_json import document
from memtool.render.text import terminal
from memtool.render.values import time_words, verdict_words
from memtool.render.words import safe_text

_ORDER_WORDS = (
    ("work_order", "work order"),
    ("customer", "customer"),
    ("plate", "plate"),
    ("vehicle_vin", "vehicle"),
    ("module_kind", "module"),
    ("authority", "authority"),
    ("complaint", "complaint"),
    ("original_part", "original part"),
    ("donor_part", "donor part"),
    ("original_serial", "original label"),
    ("donor_serial", "donor label"),
    ("donor_source", "donor source"),
    ("donor_receipt", "receipt"),
    ("old_module", "old module"),
    ("technician", "technician"),
    ("procedure", "procedure"),
    ("qualified_person", "qualified"),
)
_WHERE_LIVES_DEPEND = frozenset({"procedure", "qualified_person"})
"""Asked for some kinds of modules alone."""
_IF_SAID = frozenset({"original_serial", "donor_serial", "donor_receipt", "old_module"})
"""For the customer's page, which says where one is missing."""


def order_rows(job: Job) -> list[tuple[str, str]]:
    """The order's facts in words; what is missing says so."""
    rows = []
    for name, word in _ORDER_WORDS:
        value = getattr(job.order, name)
        is_due = name not in _IF_SAID and (
            name not in _WHERE_LIVES_DEPEND or job.order.module_kind in TESTED_KINDS
        )
        if value is None and not is_due:
            continue
        rows.append((word, "not on record" if value is None else str(value)))
    return rows


def render_job(folder: str, job: Job, *, torn_line: int | None = None) -> str:
    """The record as text; `torn_line` is the number of a last line without its end."""
    width = terminal.terminal_width()
    parts = [terminal.heading(f"Job {safe_text(folder)}, opened {time_words(job.opened)}")]
    parts += [terminal.table(_stage_rows(job)), "", terminal.heading("Order")]
    parts += [
        terminal.labelled(word, text, width=width, label_width=14) for word, text in order_rows(job)
    ]
    if job.original_unreadable:
        parts.append(
            terminal.labelled("original", f"cannot be read: {job.original_unreadable}", width=width)
        )
    parts += ["", terminal.heading("Record")]
    parts.append(
        terminal.table(
            [
                [f"{event.number}", safe_text(event.time[:19]), tell_event(event)]
                for event in told_events(job)
            ]
        )
    )
    if torn_line is not None:
        parts.append(terminal.labelled("warning", _tell_torn_line(torn_line), width=width))
    return "\n".join(parts)


def _stage_rows(job: Job) -> list[list[str]]:
    """Where each stage stands; of several memories each one by itself."""
    rows = []
    for stage in stages_of(job):
        if len(job.memories) > 1:
            for number, each in enumerate(tell_stage(job, stage)):
                verdict = verdict_words(each.verdict) if each.verdict else "not asked"
                name = "" if number else stage.value
                rows.append([name, safe_text(each.memory), verdict, safe_text(each.text)])
            continue
        standing = find_standing(job, stage)
        words = "not checked yet" if standing is None else verdict_words(standing.verdict)
        if standing is not None and standing.changed:
            words += f": {tell_changed(standing.changed)}"
        elif standing is not None and standing.check.again:
            words += f", {tell_again(standing.check)}"
        rows.append([stage.value, words])
    return rows


def _tell_torn_line(line: int) -> str:
    return (
        f"line {line} of the journal was never finished: the command that was writing it was"
        " cut off, and what it did may have to be done again. The lines before it are sound."
        " The next entry keeps what is there of it."
    )


def told_events(job: Job) -> list[Event]:
    """The entries that people are shown: an intent only where its event is missing."""
    return [
        event
        for event in job.events
        if not isinstance(event, FilesIntended) or event in job.unfinished
    ]


def tell_event(event: Event) -> str:
    """One entry of the journal in a few words, safe to print."""
    match event:
        case ReadsBackedUp():
            names = ", ".join(event.names)
            return safe_text(
                f"backed up {count_of(event.read_count, 'read')} of the {event.role}: {names}"
            )
        case ImageBlanked():
            return safe_text(f"old identity removed; file to program: {event.out}")
        case StageChecked():
            again = tell_again(event)
            done = f" ({again})" if again else ""
            return f"checked {event.stage.value}: {verdict_words(event.verdict)}{done}"
        case ReadsTakenOver():
            return safe_text(f"took over the reads of {event.name}: {event.reason}")
        case DecisionMade():
            return safe_text(f"{event.name} decided {event.point}: {event.text}")
        case FunctionTested():
            return safe_text(f"tested, {'ok' if event.ok else 'not ok'}: {event.text}")
        case NoteAdded():
            return safe_text(f"note: {event.text}")
        case FileAttached():
            return safe_text(f"attached {event.name}: {event.caption or 'no caption'}")
        case CommandRun():
            return safe_text(f"ran {event.command}")
        case FilesIntended():
            return safe_text(f"about to write {', '.join(file.path for file in event.files)}")
    return safe_text(spaced(event.title))


def job_document(folder: str, job: Job, *, torn_line: int | None = None) -> dict[str, Any]:
    """The record as the JSON document of ``benchimage job show``."""
    return document(
        "job-show",
        job=folder,
        opened=job.opened,
        order={
            name: None if getattr(job.order, name) is None else str(getattr(job.order, name))
            for name, _ in _ORDER_WORDS
        },
        original_unreadable=job.original_unreadable,
        backups=[
            {
                "backup": backup.backup,
                "role": backup.role.value,
                "chip": backup.chip,
                "sha256": backup.sha256,
                "reads": backup.read_count,
                "agree": backup.agree,
                "single_read_reason": backup.single_read_reason,
            }
            for backup in job.backups
        ],
        files_to_write=[
            {
                "out": blanking.out,
                "copy": blanking.copy,
                "sha256": blanking.sha256,
                "file_sha256": blanking.file_sha256,
                "backup": blanking.backup,
                "chip": job.chip_of(blanking.memory or ""),
            }
            for blanking in job.blankings
        ],
        stages=[
            {
                "stage": check.stage.value,
                "time": check.time,
                "chip": None if check.memory is None else job.chip_of(check.memory),
                "verdict": standing.verdict.value,
                "changed": list(standing.changed),
                "judged_again": list(check.again),
                "checks": points_to_facts(standing.points),
            }
            for check in job.stage_checks
            for standing in (standing_of(job, check),)
        ],
        notes=[{"time": note.time, "text": note.text} for note in job.notes],
        attachments=[
            {
                "time": attachment.time,
                "path": attachment.path,
                "name": attachment.name,
                "sha256": attachment.sha256,
                "caption": attachment.caption,
            }
            for attachment in job.attachments
        ],
        entries=[
            {"number": event.number, "time": event.time, "kind": event.title}
            for event in told_events(job)
        ],
        torn_line=torn_line,
    )
