"""``benchimage inspect``: look at one image, or at several reads of one chip."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, all_option, note_layout, reading_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import IMAGE, PATH
from memtool.render.late import image_pages
from memtool.render.text import inspect_view
from memtool.render.words import safe_text
from memtool.workflow.inspecting import look_at
from memtool.workflow.pages import page_file, read_facts, require_fits
from memtool.workflow.writing import require_free


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
@click.argument("reads", nargs=-1, required=True, metavar="READ...", type=IMAGE)
@click.option(
    "--layout", type=PATH, help="Layout file; default: the job's, or one from your library."
)
@click.option("--html", type=PATH, metavar="FILE", help="Also write an HTML page.")
@click.option("--new", is_flag=True, help="The module is said to be new (never configured).")
@click.option("--deep", is_flag=True, help="Also show stored forms that may be coincidence.")
@all_option
@job_option
@reading_options
def command(
    reads: tuple[str, ...],
    layout: Path | None,
    html: Path | None,
    new: bool,
    deep: bool,
    reading: Reading,
    as_json: bool,
    show_all: bool,
) -> int:
    """Show format, size, hash, health, VINs, fields and checksums of an image.

    Several READs are taken as reads of one chip and compared.
    """
    context = reading.open()
    require_free(html, context.opened)
    with at_work("reading"):
        loaded = context.load_all(reads)
    require_fits(html, [read.image for read in loaded])
    opened = context.opened
    with at_work("looking at the image"):
        seen = look_at(context, reads, loaded, layout=layout, deep=deep, new=new)
        look, inspection = seen.shown, seen.inspection
        context, choice = look.context, look.choice
        facts = [read_facts(read) for read in loaded]
        pages = []
        if html is not None:
            page = image_pages.render_inspect_page(facts, inspection, layout_reason=choice.reason)
            pages.append(page_file(html, page))
    context.record("inspect", reads=loaded, new=pages)
    note_layout(opened, look)
    if html is not None:
        note(f"Written: {safe_text(str(html))}; it opens in any browser, without a network.")
    if as_json:
        print_json(inspect_view.inspect_document(facts, inspection))
    else:
        say(inspect_view.render_inspect_answer(facts, inspection, show_all=show_all))
        if opened is None:
            chip = "" if reading.chip is None else f"--chip {reading.chip.name}"
            say_next(inspect_view.next_of_inspection(inspection, reads, options=chip))
        click.echo()
        say(
            inspect_view.render_content(
                facts, inspection, layout_reason=choice.reason, show_all=show_all
            )
        )
    return 1 if inspection.speaks_against else 0
