"""``benchimage job list``: the jobs that this store knows."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import output_options, store_option
from memtool.cli.shared import print_json, say, say_next
from memtool.core.words import count_of
from memtool.render.json.as_json import document
from memtool.render.text import terminal
from memtool.render.text.next_steps import NextStep
from memtool.render.values import time_words
from memtool.render.words import safe_text
from memtool.workflow.finding_jobs import FoundJob, find_jobs
from memtool.workflow.places import open_store


@click.command(
    "list",
    epilog="""\b
Examples:
  benchimage job list
  benchimage job list 042788
  benchimage job list donor-1.bin
""",
)
@click.argument("text", required=False)
@store_option
@output_options
def command(text: str | None, store: Path | None, as_json: bool) -> int:
    """List the jobs of this store, newest first.

    TEXT is a part of the work order or of a part number, a VIN or its last digits, or the
    first digits of a digest. The path of an image finds the jobs that know this image, and
    says what it is in each.
    """
    found = find_jobs(open_store(store).folder, text)
    if as_json:
        print_json(document("job-list", asked=text, jobs=[_value(job) for job in found]))
        return 0
    if not found:
        say("No job in this store matches." if text else "This store has no jobs yet.")
        text = "make a job's folder known to this store"
        say_next(NextStep(text=text, commands=("benchimage job adopt DIR",)))
        return 0
    say(f"{count_of(len(found), 'job')}:")
    for job in found:
        say(_render(job))
    moved = [job for job in found if not job.is_there]
    if moved:
        text = "name the folder where the moved job is now"
        say_next(NextStep(text=text, commands=("benchimage job adopt DIR",)))
    return 0


def _render(job: FoundJob) -> str:
    row, width = job.row, terminal.terminal_width()
    lines = [terminal.heading(f"{safe_text(row.work_order or 'no work order')}, {row.stage}")]
    if job.image:
        lines.append(terminal.labelled("image", f"this is {job.image}", width=width))
    where = row.folder if job.is_there else f"{row.folder} (no longer there)"
    for label, text in (
        ("vehicle", row.vehicle_vin or "not on record"),
        ("VINs", ", ".join(row.vins) or "none"),
        ("parts", ", ".join(row.parts) or "none"),
        ("next", row.next or "not on record"),
        ("opened", time_words(row.opened)),
        ("folder", where),
    ):
        lines.append(terminal.labelled(label, text, width=width))
    return "\n".join(lines)


def _value(job: FoundJob) -> dict[str, object]:
    row = job.row
    return {
        "id": row.id,
        "folder": row.folder,
        "there": job.is_there,
        "opened": row.opened,
        "work_order": row.work_order,
        "vehicle_vin": row.vehicle_vin,
        "vins": list(row.vins),
        "parts": list(row.parts),
        "stage": row.stage,
        "entries": row.entries,
        "image": job.image,
    }
