"""What `job show` shows: the order, what was done, what is missing."""

from __future__ import annotations

from typing import Any

from memtool.core.job import Job, Stage, checks_to_facts
from memtool.render import terminal
from memtool.render.as_json import document
from memtool.render.words import count_of, safe_text

_ORDER_WORDS = (
    ("work_order", "work order"),
    ("vehicle_vin", "vehicle"),
    ("module_kind", "module"),
    ("authority", "authority"),
    ("complaint", "complaint"),
    ("original_part", "original part"),
    ("donor_part", "donor part"),
    ("donor_source", "donor source"),
    ("technician", "technician"),
)


def order_rows(job: Job) -> list[tuple[str, str]]:
    """The order's facts in words; what is missing says so."""
    rows = []
    for name, word in _ORDER_WORDS:
        value = getattr(job.order, name)
        rows.append((word, "not on record" if value is None else str(value)))
    return rows


def render_job(folder: str, job: Job, *, torn_line: int | None = None) -> str:
    """The record as text; `torn_line` is the number of a last line without its end."""
    width = terminal.terminal_width()
    parts = [terminal.heading(f"Job {safe_text(folder)}, opened {job.opened}")]
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
                [f"{number}", safe_text(time[:19]), tell_event(job, number, kind)]
                for number, time, kind in job.events
            ]
        )
    )
    if torn_line is not None:
        parts.append(terminal.labelled("warning", _tell_torn_line(torn_line), width=width))
    parts += ["", terminal.heading("Stages")]
    rows = []
    for stage in Stage:
        done = job.latest_check(stage)
        rows.append([stage.value, done.verdict.value if done else "not checked yet"])
    parts.append(terminal.table(rows))
    return "\n".join(parts)


def _tell_torn_line(line: int) -> str:
    return (
        f"line {line} of the journal was never finished: the command that was writing it was"
        " cut off, and what it did may have to be done again. The lines before it are sound."
        " The next entry keeps what is there of it."
    )


def tell_event(job: Job, number: int, kind: str) -> str:
    """One entry of the journal in a few words, safe to print."""
    for kept in job.reads:
        if kept.number == number:
            names = ", ".join(kept.names)
            return safe_text(
                f"backed up {count_of(kept.reads, 'read')} of the {kept.role}: {names}"
            )
    for blanking in job.blankings:
        if blanking.number == number:
            return safe_text(f"blanked into {blanking.out}")
    for check in job.stage_checks:
        if check.number == number:
            return f"checked {check.stage.value}: {check.verdict.value}"
    for note in job.notes:
        if note.number == number:
            return safe_text(f"note: {note.text}")
    for attachment in job.attachments:
        if attachment.number == number:
            return safe_text(f"attached {attachment.name}: {attachment.caption or 'no caption'}")
    return safe_text(kind.replace("-", " "))


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
                "backup": kept.backup,
                "role": kept.role.value,
                "chip": kept.chip,
                "sha256": kept.sha256,
                "reads": kept.reads,
                "agree": kept.agree,
                "single_read_reason": kept.single_read_reason,
            }
            for kept in job.reads
        ],
        files_to_write=[
            {
                "out": blanking.out,
                "copy": blanking.copy,
                "sha256": blanking.sha256,
                "file_sha256": blanking.file_sha256,
                "backup": blanking.backup,
                "chip": blanking.chip,
            }
            for blanking in job.blankings
        ],
        stages=[
            {
                "stage": check.stage.value,
                "time": check.time,
                "chip": check.chip,
                "verdict": check.verdict.value,
                "checks": checks_to_facts(check.checks),
            }
            for check in job.stage_checks
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
            {"number": number, "time": time, "kind": kind} for number, time, kind in job.events
        ],
        torn_line=torn_line,
    )
