"""`benchimage compare`: where two images differ, by region and field."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.progress import at_work
from memtool.cli.session import clock, current_job, open_store, read_options
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.chip import Chip, find_chip
from memtool.core.comparing.difference import Difference, DifferingRun, compare_images
from memtool.core.identity.known_identity import find_vins
from memtool.core.image import Image, find_changes
from memtool.core.layouts.layout import Layout
from memtool.core.span import format_span
from memtool.errors import UsageError
from memtool.render.as_json import document, span_value, span_values
from memtool.render.difference_text import render_difference
from memtool.render.image_pages import render_compare_page
from memtool.render.terminal import terminal_width
from memtool.render.terminal_map import render_map
from memtool.render.words import count_of, safe_text
from memtool.workflow.jobs import OpenJob, load_named, record
from memtool.workflow.layout_choice import choose_layout
from memtool.workflow.loading import LoadedRead
from memtool.workflow.pages import read_facts, require_fits, require_free, write_page


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
@click.argument("a", metavar="A", type=click.Path())
@click.argument("b", metavar="B", type=click.Path())
@click.option("--layout", "layout_path", type=PATH, help="Names the regions and the fields.")
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@click.option("--html", type=PATH, metavar="FILE", help="Write one page to look through.")
@reading_options
def command(
    a: str,
    b: str,
    layout_path: Path | None,
    job: Path | None,
    html: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Show where two images differ: runs, regions, fields, blocks that moved.

    A and B are files, or inside a job 'original', 'donor', 'reference', 'to-write'.
    """
    options = read_options(read_format, base=base, overlap=overlap)
    require_free(html)
    memory = _known_chip(chip)
    opened, backups = current_job(job), open_store(store)
    reads = [load_named(name, options, opened=opened, store=backups, chip=chip) for name in (a, b)]
    require_fits(html, [read.image for read in reads])
    choice = choose_layout(None, named=layout_path, opened=opened, chip=chip or _job_chip(opened))
    layout = None if choice.loaded is None else choice.loaded.layout
    _note_oddities(reads)
    with at_work("comparing"):
        difference = compare_images(reads[0].image, reads[1].image, layout=layout, chip=memory)
        if html is not None:
            _write_page(html, reads, difference, layout, choice.reason)
    if html is not None:
        note(f"Written: {safe_text(str(html))}; it opens in any browser, without network.")
    if opened is not None:
        _record(opened, reads, difference)
    if as_json:
        print_json(_document(difference))
    else:
        click.echo(_names(reads))
        click.echo(f"\n{_map(reads, layout, difference)}")
        click.echo(f"\n{render_difference(difference, width=terminal_width())}")
        if layout is None and not difference.equal:
            note("Next: --layout FILE names the regions and shows the fields that differ.")
    return 0 if difference.equal else 1


def _write_page(
    path: Path,
    reads: list[LoadedRead],
    difference: Difference,
    layout: Layout | None,
    layout_reason: str,
) -> None:
    a, b = (read_facts(read) for read in reads)
    page = render_compare_page(
        a,
        b,
        difference,
        layout=layout,
        layout_reason=layout_reason,
        vins=(
            [vin.span for vin in find_vins(a.image)],
            [vin.span for vin in find_vins(b.image)],
        ),
    )
    write_page(path, page)


def _known_chip(name: str | None) -> Chip | None:
    chip = None if name is None else find_chip(name)
    if name is not None and chip is None:
        raise UsageError(
            f"'{name}' is not a memory chip known here",
            code="unknown-chip",
            next_step="leave --chip out, or name it as in 24C16, 93C66, 95160",
        )
    return chip


def _job_chip(opened: OpenJob | None) -> str | None:
    """The chip of the job's reads, where there is one alone."""
    chips = set() if opened is None else {kept.chip for kept in opened.job.reads}
    return chips.pop() if len(chips) == 1 else None


def _note_oddities(reads: list[LoadedRead]) -> None:
    for read in reads:
        for finding in read.findings:
            note(safe_text(f"{read.path}: {finding.severity.value}: {finding.text}"))


def _names(reads: list[LoadedRead]) -> str:
    return "\n".join(
        f"{letter}  {safe_text(read.path)}\n   {_size(read.image)}, {read.format.value}"
        for letter, read in zip("AB", reads, strict=True)
    )


def _map(reads: list[LoadedRead], layout: Layout | None, difference: Difference) -> str:
    """The first image's map; where the second differs, or lacks bytes, is marked."""
    a, b = (read.image for read in reads)
    return render_map(
        a,
        layout=layout,
        marked=[*find_changes(a, b), *difference.only_in_a],
        marks="differs in B",
        width=terminal_width(),
    )


def _size(image: Image) -> str:
    extent = image.extent
    if extent is None:
        return "no bytes"
    gaps = "" if len(image.segments) == 1 else f" in {len(image.segments)} segments"
    return f"{count_of(image.size, 'byte')}{gaps}, {format_span(extent)}"


def _record(opened: OpenJob, reads: list[LoadedRead], difference: Difference) -> None:
    record(
        opened,
        "command-run",
        {
            "command": "compare",
            "equal": difference.equal,
            "differing_bytes": difference.differing_bytes,
            "same_layout": difference.same_layout.result.value,
        },
        files=[(read.path, read.file_sha256) for read in reads],
        now=clock(),
    )


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
