"""What `layout check` and `layout show` share: an image beside a layout."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from memtool.cli.session import read_options
from memtool.core.checksums.checksum import ChecksumResult
from memtool.core.chip import Chip, find_chip
from memtool.core.layouts.layout import DecodedField
from memtool.core.layouts.layout_fit import LayoutFit, check_fit
from memtool.errors import UsageError
from memtool.store.layout_files.layouts import LoadedLayout
from memtool.workflow.loading import LoadedRead, ReadOptions, load_read


def reading_of(
    layout: LoadedLayout, *, read_format: str | None, overlap: str | None, base: int
) -> ReadOptions:
    """How images are to be read: a raw one begins at the layout's base unless told otherwise."""
    context = click.get_current_context()
    told = context.get_parameter_source("base") is not ParameterSource.DEFAULT
    return read_options(read_format, base=base if told else layout.layout.base, overlap=overlap)


def chip_named(name: str | None) -> Chip | None:
    """The chip of ``--chip``.

    Raises:
        UsageError: the table has no such chip.
    """
    chip = None if name is None else find_chip(name)
    if name is not None and chip is None:
        raise UsageError(
            f"no chip is known as '{name}'",
            code="no-such-chip",
            next_step="name it like 24C16, 93C66 or 95160",
        )
    return chip


def fit_of(
    path: Path, layout: LoadedLayout, options: ReadOptions, chip: Chip | None
) -> tuple[LoadedRead, LayoutFit]:
    """One image with how the layout explains it."""
    read = load_read(path, options)
    return read, check_fit(layout.layout, read.image, chip=chip)


def speaks_against(fit: LayoutFit) -> bool:
    """Whether exit status 1 is due: no fit, a wrong checksum, a faulty field or copy."""
    return (
        not fit.fits or fit.checksums_wrong > 0 or fit.fields_faulty > 0 or len(fit.copy_faults) > 0
    )


def checksum_values(results: tuple[ChecksumResult, ...]) -> list[dict[str, Any]]:
    """Checksums as JSON."""
    return [
        {
            "name": result.name,
            "algorithm": result.algorithm,
            "stored": result.stored.hex(),
            "computed": result.computed.hex(),
            "result": result.result.value,
            "reason": result.reason,
        }
        for result in results
    ]


def field_values(fields: tuple[DecodedField, ...]) -> list[dict[str, Any]]:
    """Fields as JSON; named bits are a list of names and numbers."""
    return [
        {
            "name": field.name,
            "kind": field.kind.value,
            "start": field.span.start,
            "end": field.span.end,
            "value": field.value,
            "state": field.state.value,
            "reason": field.reason,
        }
        for field in fields
    ]
