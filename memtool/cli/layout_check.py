"""`benchimage layout check`: is a layout file valid, and does it explain images?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.layout_images import (
    checksum_values,
    field_values,
    speaks_against,
)
from memtool.cli.place import job_option
from memtool.cli.reading import Reading, note_layout, reading_options
from memtool.cli.shared import print_json, say, say_next
from memtool.cli.types import IMAGE, PATH
from memtool.core.layouts.layout_fit import LayoutFit, check_fit
from memtool.core.records.placing import place_records
from memtool.core.span import count_addresses
from memtool.core.words import count_of
from memtool.render.json.as_json import document, finding_values
from memtool.render.page.layout_map import render_fit
from memtool.render.stores import rules_value
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.text.terminal import terminal_width
from memtool.render.words import safe_text
from memtool.store.layouts import LoadedLayout, read_layout
from memtool.workflow.loading import LoadedRead
from memtool.workflow.showing import lay_over, load_for_layout


@click.command(
    epilog="""Examples:

\b
  benchimage layout check door.toml
  benchimage layout check door.toml --against donor.bin --against original.hex

Ends with 4 if the file is not valid, all its errors listed with line numbers; with 1 if an
image does not fit, or a checksum, field or copy is wrong.""",
)
@click.argument("file", type=PATH)
@click.option(
    "--against",
    type=IMAGE,
    metavar="IMAGE",
    multiple=True,
    help="Score the layout on this image; can be given several times.",
)
@job_option
@reading_options
def command(
    file: Path,
    against: tuple[str, ...],
    reading: Reading,
    as_json: bool,
) -> int:
    """Check that a layout file is valid, and how well it explains images.

    A raw image begins at the layout's base unless --base says otherwise.
    """
    loaded = read_layout(file)
    context = reading.open(base=loaded.layout.base)
    reads = load_for_layout(context, against, loaded.layout.chip)
    look = lay_over(context, against, reads, loaded)
    note_layout(context.opened, look)
    context = look.context
    scored = [
        (
            read,
            check_fit(
                place_records(loaded.layout, read.image),
                read.image,
                chip=context.chip,
                shown=look.shown,
            ),
        )
        for read in reads
    ]
    context.record("layout check", reads=reads, files=[(loaded.path, loaded.sha256)])
    if as_json:
        print_json(_document(loaded, scored))
    else:
        say(_summary(loaded))
        for read, fit in scored:
            click.echo()
            say(render_fit(read.path, fit, width=terminal_width()))
    if any(speaks_against(fit) for _, fit in scored):
        return 1
    if not as_json:
        say_next(_next_step(file, loaded, has_images=bool(against)))
    return 0


def _summary(loaded: LoadedLayout) -> str:
    layout = loaded.layout
    described = layout.size - count_addresses(layout.gaps)
    review = "reviewed" if layout.reviewed else "not reviewed"
    count = len(layout.records)
    stores = f" and {count_of(count, 'store')} of records" if count else ""
    contents = (
        f"{count_of(len(layout.regions), 'region')} with"
        f" {count_of(len(layout.checksums), 'checksum')}{stores},"
        f" {described:,} of {count_of(layout.size, 'byte')} described"
    )
    verdict = f"{safe_text(loaded.path)}: a valid layout, '{safe_text(layout.name)}', {review}"
    return f"{verdict}\n{contents}"


def _next_step(file: Path, loaded: LoadedLayout, *, has_images: bool) -> NextStep:
    name = quoted(file)
    if not has_images:
        command = f"benchimage layout check {name} --against IMAGE"
        return NextStep(text="see how it fits an image", commands=(command,))
    if not loaded.layout.reviewed:
        command = f"benchimage layout review {name}"
        return NextStep(text="let a person review every region", commands=(command,))
    command = f"benchimage layout add {name}"
    return NextStep(text="keep it where other commands look", commands=(command,))


def _document(loaded: LoadedLayout, scored: list[tuple[LoadedRead, LayoutFit]]) -> dict[str, Any]:
    layout = loaded.layout
    return document(
        "layout-check",
        path=loaded.path,
        sha256=loaded.sha256,
        name=layout.name,
        chip=layout.chip,
        base=layout.base,
        size=layout.size,
        module=layout.module.value,
        reviewed=layout.reviewed,
        regions=len(layout.regions),
        checksums=len(layout.checksums),
        record_stores=[rules_value(rules) for rules in layout.records],
        bytes_described=layout.size - count_addresses(layout.gaps),
        images=[_image_value(read, fit) for read, fit in scored],
    )


def _image_value(read: LoadedRead, fit: LayoutFit) -> dict[str, Any]:
    return {
        "path": read.path,
        "sha256": read.image.sha256(),
        "fits": fit.fits,
        "size_ok": fit.size_ok,
        "chip_ok": fit.chip_ok,
        "field_counts": {
            "decoded": fit.fields_decoded,
            "blank": fit.fields_blank,
            "faulty": fit.fields_faulty,
            "undefined": fit.fields_undefined,
        },
        "checksum_counts": {
            "right": fit.checksums_right,
            "wrong": fit.checksums_wrong,
            "blank": fit.checksums_blank,
            "not_checked": fit.checksums_not_checked,
        },
        "bytes_explained": fit.bytes_explained,
        "bytes_total": fit.bytes_total,
        "fields": field_values(fit.fields),
        "checksums": checksum_values(fit.checksums),
        "findings": finding_values(fit.copy_faults),
        "reasons": list(fit.reasons),
    }
