"""`benchimage layout show`: a layout as a map, alone or with what an image holds."""

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
from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.layouts.layout import BlankSource, Region
from memtool.core.layouts.layout_fit import LayoutFit
from memtool.render.as_json import document, finding_values, span_value, span_values
from memtool.render.layout_map import render_layout
from memtool.render.terminal import terminal_width
from memtool.render.words import safe_text
from memtool.store.layout_files.layouts import LoadedLayout, read_layout
from memtool.workflow.loading import LoadedRead


@click.command(
    epilog="""Examples:

\b
  benchimage layout show door.toml
  benchimage layout show door.toml --image donor.bin

Protected regions are listed and never decoded. With an image, ends with 1 if it does not
fit, a checksum is wrong, or a field or copy does not hold.""",
)
@click.argument("file", type=PATH)
@click.option("--image", type=PATH, help="Show what this image holds in each field.")
@reading_options
def command(
    file: Path,
    image: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Draw a layout: a map of the memory, then every region and checksum by address."""
    known_chip = chip_named(chip)
    loaded = read_layout(file)
    options = reading_of(loaded, read_format=read_format, overlap=overlap, base=base)
    scored = None if image is None else fit_of(image, loaded, options, known_chip)
    fit = None if scored is None else scored[1]
    if as_json:
        print_json(_document(loaded, scored))
    else:
        click.echo(render_layout(loaded.layout, fit, width=terminal_width()))
    if fit is not None and speaks_against(fit):
        if not as_json:
            for reason in fit.reasons:
                note(safe_text(reason))
        return 1
    if image is None and not as_json:
        shown = safe_text(str(file))
        note(f"Next: 'benchimage layout show {shown} --image IMAGE' shows what an image holds.")
    return 0


def _document(loaded: LoadedLayout, scored: tuple[LoadedRead, LayoutFit] | None) -> dict[str, Any]:
    layout = loaded.layout
    return document(
        "layout-show",
        path=loaded.path,
        sha256=loaded.sha256,
        name=layout.name,
        chip=layout.chip,
        base=layout.base,
        size=layout.size,
        erased=layout.erased,
        module=layout.module.value,
        parts=list(layout.parts),
        reviewed=layout.reviewed,
        regions=[_region_value(region) for region in layout.regions],
        checksums=[_rule_value(rule) for rule in layout.checksums],
        gaps=span_values(layout.gaps),
        image=None if scored is None else _image_value(*scored),
    )


def _region_value(region: Region) -> dict[str, Any]:
    blank = region.blank_to
    return {
        "name": region.name,
        **span_value(region.span),
        "kind": region.kind.value,
        "type": None if region.type is None else region.type.value,
        "stored_as": region.stored_as,
        "copy_of": region.copy_of,
        "blank_to": blank.hex() if isinstance(blank, bytes) else _source(blank),
        "bits": [{"name": run.name, "high": run.high, "low": run.low} for run in region.bits],
    }


def _source(blank: BlankSource | None) -> str | None:
    return None if blank is None else blank.value


def _rule_value(rule: ChecksumRule) -> dict[str, Any]:
    return {
        "name": rule.name,
        "algorithm": rule.algorithm,
        "covers": span_values(rule.covers),
        "stored": span_value(rule.stored),
        "byte_order": rule.byte_order,
        "total": rule.total,
        "when_blanked": rule.when_blanked.value,
    }


def _image_value(read: LoadedRead, fit: LayoutFit) -> dict[str, Any]:
    return {
        "path": read.path,
        "sha256": read.image.sha256(),
        "fits": fit.fits,
        "fields": field_values(fit.fields),
        "checksums": checksum_values(fit.checksums),
        "findings": finding_values(fit.copy_faults),
    }
