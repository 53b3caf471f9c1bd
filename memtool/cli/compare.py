"""`benchimage compare`: where two images differ, by region and field."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, note_layout, note_oddities, reading_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import IMAGE, PATH
from memtool.core.comparing.difference import Difference, DifferingRun, compare_images
from memtool.core.image import Image
from memtool.core.runs import edges_of
from memtool.core.span import format_span
from memtool.core.texts.vin_search import find_vins
from memtool.core.words import count_of
from memtool.lazy import np
from memtool.render.json.as_json import document, span_value, span_values
from memtool.render.late import image_pages
from memtool.render.text.difference_text import render_places, render_summary
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.text.terminal import terminal_width
from memtool.render.text.terminal_map import render_map
from memtool.render.words import safe_text
from memtool.workflow.loading import LoadedRead
from memtool.workflow.pages import page_file, read_facts, require_fits
from memtool.workflow.showing import Shown, choose_shown
from memtool.workflow.writing import require_free

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout


@click.command(
    epilog="""Examples:

\b
  benchimage compare donor.bin original.bin
  benchimage compare donor reference --job order-17
  benchimage compare donor.hex original.hex --layout door-c.toml --json
  benchimage compare donor original --html donor-original.html

Bytes of protected regions are not shown, only that they differ. Ends with 1 if the images
differ.""",
)
@click.argument("a", metavar="A", type=IMAGE)
@click.argument("b", metavar="B", type=IMAGE)
@click.option(
    "--layout", "layout_path", type=PATH, help="Layout that names the regions and fields."
)
@click.option("--html", type=PATH, metavar="FILE", help="Also write an HTML page.")
@job_option
@reading_options
def command(
    a: str,
    b: str,
    layout_path: Path | None,
    html: Path | None,
    reading: Reading,
    as_json: bool,
) -> int:
    """Show where two images differ: runs, regions, fields, blocks that moved.

    A and B are files, or inside a job 'original', 'donor', 'reference', 'to-write'.
    """
    context = reading.open()
    require_free(html, context.opened)
    with at_work("reading"):
        reads = context.load_all((a, b))
    require_fits(html, [read.image for read in reads])
    opened = context.opened
    look = choose_shown(context, (a, b), reads, named=layout_path)
    context, layout = look.context, look.layout
    note_oddities(reads)
    with at_work("comparing"):
        difference = compare_images(
            reads[0].image, reads[1].image, layout=layout, shown=look.shown, chip=context.chip
        )
        pages = []
        if html is not None:
            pages.append(page_file(html, _render_page(reads, difference, look)))
    context.record("compare", _facts(difference), reads=reads, new=pages)
    note_layout(opened, look)
    if html is not None:
        note(f"Written: {safe_text(str(html))}; it opens in any browser, without a network.")
    if as_json:
        print_json(_document(difference))
    else:
        width = terminal_width()
        say(render_summary(difference, width=width))
        say(f"\n{_names(reads)}")
        say(f"\n{_map(reads, look.shown, difference)}")
        if places := render_places(difference, width=width):
            say(f"\n{places}")
        if layout is None and not difference.equal:
            command = f"benchimage compare {quoted(a)} {quoted(b)} --layout FILE"
            say_next(NextStep(text="see which regions and fields differ", commands=(command,)))
    return 0 if difference.equal else 1


def _render_page(reads: list[LoadedRead], difference: Difference, look: Shown) -> str:
    a, b = (read_facts(read) for read in reads)
    return image_pages.render_compare_page(
        a,
        b,
        difference,
        layout=look.shown,
        layout_reason=look.choice.reason,
        vins=(
            [vin.span for vin in find_vins(a.image)],
            [vin.span for vin in find_vins(b.image)],
        ),
    )


def _names(reads: list[LoadedRead]) -> str:
    return "\n".join(
        f"{letter}  {safe_text(read.path)}\n   {_size(read.image)}, {read.format.value}"
        for letter, read in zip("AB", reads, strict=True)
    )


def _map(reads: list[LoadedRead], layout: Layout | None, difference: Difference) -> str:
    """The first image's map; where the second differs, or lacks bytes, is marked."""
    return render_map(
        reads[0].image,
        layout=layout,
        marked=np.concatenate((difference.runs.edges, edges_of(difference.only_in_a))),
        marks="differs in B",
        width=terminal_width(),
    )


def _size(image: Image) -> str:
    extent = image.extent
    if extent is None:
        return "no bytes"
    gaps = "" if len(image.segments) == 1 else f" in {len(image.segments)} segments"
    return f"{count_of(image.size, 'byte')}{gaps}, {format_span(extent)}"


def _facts(difference: Difference) -> dict[str, Any]:
    return {
        "equal": difference.equal,
        "differing_bytes": difference.differing_bytes,
        "same_layout": difference.same_layout.result.value,
    }


def _document(difference: Difference) -> dict[str, Any]:
    return document(
        "compare",
        equal=difference.equal,
        differing_bytes=difference.differing_bytes,
        only_in_a=span_values(difference.only_in_a),
        only_in_b=span_values(difference.only_in_b),
        runs=[_run_value(run) for run in difference.runs],
        moved=[
            {"a_start": block.a_start, "b_start": block.b_start, "length": block.length}
            for block in difference.moved
        ],
        same_layout={
            "result": difference.same_layout.result.value,
            "reason": difference.same_layout.reason,
        },
    )


def _run_value(run: DifferingRun) -> dict[str, Any]:
    return {
        **span_value(run.span),
        "a": None if run.a is None else run.a.hex(),
        "b": None if run.b is None else run.b.hex(),
        "region": run.region,
        "kind": None if run.kind is None else run.kind.value,
    }
