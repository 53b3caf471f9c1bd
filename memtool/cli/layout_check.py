"""`benchimage layout check`: is a layout file valid, and does it explain images?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.layout_images import (
    checksum_values,
    chip_named,
    field_values,
    fit_of,
    reading_of,
    speaks_against,
)
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.layouts.layout_fit import LayoutFit
from memtool.core.span import count_addresses
from memtool.render.as_json import document, finding_values
from memtool.render.layout_map import render_fit
from memtool.render.terminal import terminal_width
from memtool.render.words import count_of, safe_text
from memtool.store.layout_files.layouts import LoadedLayout, read_layout
from memtool.workflow.loading import LoadedRead


@click.command(
    epilog="""Examples:

\b
  benchimage layout check door.toml
  benchimage layout check door.toml --against donor.bin --against original.hex

Ends with 4 if the file is not valid, all its mistakes named with their lines; with 1 if an
image does not fit, a checksum is wrong, or a field or copy does not hold.""",
)
@click.argument("file", type=PATH)
@click.option(
    "--against",
    type=PATH,
    multiple=True,
    help="Score the layout on this image; can be given several times.",
)
@reading_options
def command(
    file: Path,
    against: tuple[Path, ...],
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Check that a layout file is valid, and how well it explains images.

    A raw image begins at the layout's base unless --base says otherwise.
    """
    known_chip = chip_named(chip)
    loaded = read_layout(file)
    options = reading_of(loaded, read_format=read_format, overlap=overlap, base=base)
    scored = [fit_of(path, loaded, options, known_chip) for path in against]
    if as_json:
        print_json(_document(loaded, scored))
    else:
        click.echo(_summary(loaded))
        for read, fit in scored:
            click.echo()
            click.echo(render_fit(read.path, fit, width=terminal_width()))
    if any(speaks_against(fit) for _, fit in scored):
        return 1
    if not as_json:
        note(_next_step(file, loaded, has_images=bool(against)))
    return 0


def _summary(loaded: LoadedLayout) -> str:
    layout = loaded.layout
    described = layout.size - count_addresses(layout.gaps)
    review = "reviewed" if layout.reviewed else "not reviewed"
    contents = (
        f"{count_of(len(layout.regions), 'region')} with"
        f" {count_of(len(layout.checksums), 'checksum')},"
        f" {described:,} of {count_of(layout.size, 'byte')} described"
    )
    verdict = f"{safe_text(loaded.path)}: a valid layout, '{safe_text(layout.name)}', {review}"
    return f"{verdict}\n{contents}"


def _next_step(file: Path, loaded: LoadedLayout, *, has_images: bool) -> str:
    name = safe_text(str(file))
    if not has_images:
        return f"Next: 'benchimage layout check {name} --against IMAGE' scores it on an image."
    if not loaded.layout.reviewed:
        return f"Next: 'benchimage layout review {name}' asks a person about every region."
    return f"Next: 'benchimage layout add {name}' keeps it where other commands look."


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
