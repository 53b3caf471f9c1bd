"""`benchimage layout show`: a layout as a map, alone or with what an image holds."""

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
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import IMAGE, PATH
from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.layouts.layout import BlankSource, Region
from memtool.core.layouts.layout_fit import LayoutFit, check_fit
from memtool.core.records.placing import place_records
from memtool.render.json.as_json import document, finding_values, span_value, span_values
from memtool.render.page.layout_map import render_layout
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
  benchimage layout show door.toml
  benchimage layout show door.toml --image donor.bin

Protected regions are listed and never decoded. With an image, ends with 1 if it does not
fit, or a checksum, field or copy is wrong.""",
)
@click.argument("file", type=PATH)
@click.option(
    "--image", type=IMAGE, metavar="IMAGE", help="Show what this image holds in each field."
)
@job_option
@reading_options
def command(
    file: Path,
    image: str | None,
    reading: Reading,
    as_json: bool,
) -> int:
    """Draw a layout: a map of the memory, then every region and checksum by address."""
    loaded = read_layout(file)
    context = reading.open(base=loaded.layout.base)
    named = [] if image is None else [image]
    read = next(iter(load_for_layout(context, named, loaded.layout.chip)), None)
    fit = None
    if image is not None and read is not None:
        look = lay_over(context, [image], [read], loaded)
        note_layout(context.opened, look)
        context = look.context
        placed = place_records(loaded.layout, read.image)
        fit = check_fit(placed, read.image, chip=context.chip, shown=look.shown)
    reads = [] if read is None else [read]
    context.record("layout show", reads=reads, files=[(loaded.path, loaded.sha256)])
    if as_json:
        print_json(_document(loaded, read, fit))
    else:
        say(render_layout(loaded.layout, fit, width=terminal_width()))
    if fit is not None and speaks_against(fit):
        if not as_json:
            for reason in fit.reasons:
                note(safe_text(reason))
        return 1
    if image is None and not as_json:
        command = f"benchimage layout show {quoted(file)} --image IMAGE"
        say_next(NextStep(text="see what an image holds by it", commands=(command,)))
    return 0


def _document(
    loaded: LoadedLayout, read: LoadedRead | None, fit: LayoutFit | None
) -> dict[str, Any]:
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
        record_stores=[rules_value(rules) for rules in layout.records],
        gaps=span_values(layout.gaps),
        image=None if read is None or fit is None else _image_value(read, fit),
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
