"""`benchimage checksum discover`: which checksums an unknown image carries."""

from __future__ import annotations

from typing import Any

import click

from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, note_oddities, note_other_size, reading_options
from memtool.cli.shared import print_json, say, say_next
from memtool.cli.types import IMAGE, SPAN
from memtool.core.discovery import (
    MOST_BLOCKS,
    MOST_GUESSES,
    Discovery,
    Standing,
    Wish,
    discover_checksums,
)
from memtool.core.discovery import searched_algorithms as all_algorithms
from memtool.core.span import Span
from memtool.render.json.as_json import document
from memtool.render.json.discovery_json import discovery_values
from memtool.render.text.discovery_text import discovery_answer, render_discovery
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.text.terminal import terminal_width
from memtool.render.words import safe_text
from memtool.workflow.context import worker_count
from memtool.workflow.loading import LoadedRead


@click.command(
    "discover",
    epilog="""Examples:

\b
  benchimage checksum discover donor.bin original.bin
  benchimage checksum discover a.bin b.bin c.bin --within 0x0100-0x01FF
  benchimage checksum discover a.bin b.bin --at 0x01FE+2 --json

Give several images of one layout that differ in content: each one multiplies the evidence.
One image alone rarely proves anything. Ends with 0 also when it finds nothing.""",
)
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...", type=IMAGE)
@click.option("--at", type=SPAN, help="Where the stored checksum is; no other place is searched.")
@click.option("--within", type=SPAN, help="Search only this span.")
@click.option(
    "--max", "most", type=click.IntRange(1, 1000), help=f"Blocks to show.  [default: {MOST_BLOCKS}]"
)
@click.option(
    "--guesses",
    type=click.IntRange(0, 1000),
    default=MOST_GUESSES,
    help="Rows to list that chance alone would give; default: only counted.",
)
@job_option
@reading_options
def command(
    images: tuple[str, ...],
    at: Span | None,
    within: Span | None,
    most: int | None,
    guesses: int,
    reading: Reading,
    as_json: bool,
) -> int:
    """Find every block, of any length, whose checksum is stored in all the images.

    IMAGE is a file, or inside a job 'original', 'donor', 'reference', 'to-write'. All images
    are of one layout. Every row says how many blocks like it chance alone would make.
    """
    context = reading.open()
    with at_work("reading"):
        reads = context.load_all(images)
    note_oddities(reads)
    note_other_size(reads, context.chip)
    with at_work("searching") as work:
        work(0, 1, "preparing")
        found = discover_checksums(
            [read.image for read in reads],
            wish=Wish(algorithms=all_algorithms(), at=at, within=within),
            most=most or MOST_BLOCKS,
            guesses=guesses,
            workers=worker_count(),
            progress=work,
        )
    context.record("checksum discover", _facts(found), reads=reads)
    if as_json:
        print_json(document("checksum-discover", images=_images(reads), **discovery_values(found)))
        return 0
    say(discovery_answer(found))
    if any(block.standing is Standing.CONVINCING for block in found.blocks):
        command = f"benchimage layout draft {' '.join(map(quoted, images))} --out FILE"
        text = "draft a layout, which takes up what was found"
        say_next(NextStep(text=text, commands=(command,)), in_job=True)
    else:
        text = "read one more module of the same layout: each further image rules chance out"
        given = " ".join(map(quoted, images))
        command = f"benchimage checksum discover {given} IMAGE"
        say_next(NextStep(text=text, commands=(command,)), in_job=True)
    say("")
    for number, read in enumerate(reads, 1):
        say(f"image {number}  {safe_text(read.path)}")
    say(f"\n{render_discovery(found, width=terminal_width())}")
    return 0


def _images(reads: list[LoadedRead]) -> list[dict[str, Any]]:
    return [
        {"number": number, "path": read.path, "sha256": read.image.sha256()}
        for number, read in enumerate(reads, 1)
    ]


def _facts(found: Discovery) -> dict[str, Any]:
    return {
        "found": [
            f"{block.algorithm} {block.block}"
            for block in found.blocks
            if block.standing is Standing.CONVINCING
        ]
    }
