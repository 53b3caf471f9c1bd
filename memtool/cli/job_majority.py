"""``benchimage job majority``: one image out of three or more reads that differ."""

from __future__ import annotations

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import note, print_json, say
from memtool.core.role import Role
from memtool.core.words import count_of
from memtool.errors import UsageError
from memtool.render.text.majority_view import majority_document, render_majority
from memtool.workflow.context import clock
from memtool.workflow.jobs import OpenJob, only_memory, split_image_name
from memtool.workflow.majority import decide_majority


@click.command(
    "majority",
    epilog="""\b
Examples:
  benchimage job majority donor
  benchimage job majority donor/eeprom
""",
)
@click.argument("which", metavar="ROLE[/MEMORY]")
@place_options
def command(which: str, place: Place, as_json: bool) -> int:
    """Decide byte by byte from three or more reads that differ.

    Every byte gets the value that more than half of the reads hold; where none has one,
    nothing is made. The image is backed up and stands for the memory from then on, marked
    as a majority in record and report. All reads stay.
    """
    context = place.open()
    opened = context.require_job()
    role, memory = _parse(opened, which)
    done = decide_majority(opened, context.store, role, memory, now=clock())
    if as_json:
        print_json(majority_document(done))
        return 0
    say(render_majority(done))
    prefix = f"{memory}=" if len(opened.job.memories) > 1 else ""
    if done.more_reads:
        note(
            f"{count_of(done.more_reads, 'more read')} would make every byte more certain:"
            f" add it with 'benchimage start --{role.value} {prefix}READ', then this command again."
        )
    say_next_of(done.opened.job)
    return 0


def _parse(opened: OpenJob, which: str) -> tuple[Role, str]:
    parts = split_image_name(opened, which)
    if parts is None or parts[0] not in tuple(Role):
        raise UsageError(
            f"'{which}' is not a module of this job",
            code="no-such-role",
            next_step="write original, donor or reference; add /MEMORY if there are several",
        )
    memory = parts[1] or only_memory(opened, None)
    if memory is None:
        raise UsageError(
            "this job has no reads yet",
            code="no-such-role",
            next_step=f"add them with 'benchimage start --{parts[0]} READ'",
        )
    return Role(parts[0]), memory
