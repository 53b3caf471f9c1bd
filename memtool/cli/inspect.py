"""``benchimage inspect``: look at one image, or at several reads of one chip."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.progress import at_work
from memtool.cli.session import clock, current_job, open_store, read_options
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.chip import CHIPS, find_chip
from memtool.core.inspection import inspect_images
from memtool.core.near import suggest
from memtool.errors import UsageError
from memtool.render import inspect_view
from memtool.render.image_pages import render_inspect_page
from memtool.render.words import safe_text
from memtool.workflow.jobs import load_named, record
from memtool.workflow.layout_choice import choose_layout
from memtool.workflow.loading import find_repeated
from memtool.workflow.pages import read_facts, require_fits, require_free, write_page


@click.command(
    "inspect",
    epilog="""\b
Examples:
  benchimage inspect read1.bin read2.bin --chip 95160
  benchimage inspect donor
  benchimage inspect dump.hex --layout door.toml --json
  benchimage inspect donor --html donor.html
""",
)
@click.argument("reads", nargs=-1, required=True, metavar="READ...")
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@click.option("--layout", type=PATH, help="Layout file; otherwise the job's or your library's.")
@click.option("--html", type=PATH, metavar="FILE", help="Write one page to look through.")
@click.option("--deep", is_flag=True, help="Show the stored forms, too, that chance can make.")
@reading_options
def command(
    reads: tuple[str, ...],
    job: Path | None,
    layout: Path | None,
    html: Path | None,
    deep: bool,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Show format, size, hash, health, VINs, fields and checksums of an image.

    Several READs are taken as reads of one chip and compared.
    """
    require_free(html)
    opened = current_job(job)
    options = read_options(read_format, base=base, overlap=overlap)
    if chip is not None and find_chip(chip) is None:
        raise UsageError(
            f"'{chip}' is not a chip of the table{suggest(chip, (item.name for item in CHIPS))}",
            code="unknown-chip",
            next_step="correct it, or leave --chip out",
        )
    backups = open_store(store)
    loaded = [load_named(read, options, opened=opened, store=backups, chip=chip) for read in reads]
    require_fits(html, [read.image for read in loaded])
    kept = None
    if opened is not None:
        digest = loaded[0].image.sha256()
        kept = next((item for item in opened.job.reads if item.sha256 == digest), None)
    chip = chip or (kept.chip if kept else None)
    choice = choose_layout(loaded[0].image, named=layout, opened=opened, chip=chip)
    with at_work("looking at the image"):
        inspection = inspect_images(
            [read.image for read in loaded],
            chip=find_chip(chip) if chip else None,
            layout=choice.loaded.layout if choice.loaded else None,
            deep=deep,
            about_files=find_repeated(loaded),
        )
        facts = [read_facts(read) for read in loaded]
        if html is not None:
            write_page(html, render_inspect_page(facts, inspection, layout_reason=choice.reason))
    if html is not None:
        note(f"Written: {safe_text(str(html))}; it opens in any browser, without network.")
    if opened is not None:
        files = [(read.path, read.file_sha256) for read in loaded]
        record(opened, "command-run", {"command": "inspect"}, files=files, now=clock())
    if as_json:
        print_json(inspect_view.inspect_document(facts, inspection))
    else:
        click.echo(inspect_view.render_inspection(facts, inspection, layout_reason=choice.reason))
        if opened is None:
            note("Next: benchimage start, to back the reads up and open a job.")
    return 1 if inspection.speaks_against else 0
