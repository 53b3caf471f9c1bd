"""`benchimage checksum discover`: which checksums an unknown image carries."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.checksum_source import Source, load_source
from memtool.cli.progress import SearchProgress
from memtool.cli.shared import PATH, SPAN, note, print_json, reading_options
from memtool.core.discovery import MOST_BLOCKS, MOST_GUESSES, Discovery, Wish, discover_checksums
from memtool.core.discovery import searched_algorithms as all_algorithms
from memtool.core.span import Span
from memtool.render.as_json import document
from memtool.render.discovery_json import discovery_values
from memtool.render.discovery_text import render_discovery
from memtool.render.terminal import terminal_width
from memtool.render.words import safe_text


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
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...")
@click.option("--at", type=SPAN, help="Where the stored number lies; looked for nowhere else.")
@click.option("--within", type=SPAN, help="Search this span alone.")
@click.option(
    "--max", "most", type=click.IntRange(1, 1000), help=f"Blocks to show.  [default: {MOST_BLOCKS}]"
)
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@reading_options
def command(
    images: tuple[str, ...],
    at: Span | None,
    within: Span | None,
    most: int | None,
    job: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Find every block, of any length, whose checksum is stored in all the images.

    IMAGE is a file, or inside a job 'original', 'donor', 'reference', 'to-write'. All images
    are of one layout. Every row says how many blocks like it chance alone would make.
    """
    sources = [
        load_source(
            name,
            job=job,
            store=store,
            read_format=read_format,
            overlap=overlap,
            base=base,
            chip=chip,
        )
        for name in images
    ]
    progress = SearchProgress()
    try:
        found = discover_checksums(
            [source.read.image for source in sources],
            wish=Wish(algorithms=all_algorithms(), at=at, within=within),
            most=most or MOST_BLOCKS,
            guesses=most or MOST_GUESSES,
            progress=progress,
        )
    finally:
        progress.clear()
    _record(sources, found)
    if as_json:
        print_json(
            document("checksum-discover", images=_images(sources), **discovery_values(found))
        )
        return 0
    for number, source in enumerate(sources, 1):
        click.echo(f"image {number}  {safe_text(source.read.path)}")
    click.echo(f"\n{render_discovery(found, width=terminal_width())}")
    if found.blocks:
        note("Next: write what is found into a layout; 'benchimage checksum check' then checks it.")
    return 0


def _images(sources: list[Source]) -> list[dict[str, Any]]:
    return [
        {"number": number, "path": source.read.path, "sha256": source.read.image.sha256()}
        for number, source in enumerate(sources, 1)
    ]


def _record(sources: list[Source], found: Discovery) -> None:
    facts = {
        "command": "checksum discover",
        "found": [
            f"{block.algorithm} {block.block}"
            for block in found.blocks
            if block.standing.value == "convincing"
        ],
    }
    files = [(source.read.path, source.read.file_sha256) for source in sources[1:]]
    sources[0].record(facts, files)
