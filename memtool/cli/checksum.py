"""`benchimage checksum`: the catalogue, one value, and every checksum a layout names."""

from __future__ import annotations

import importlib
import importlib.util
from pathlib import Path

import click

from memtool.cli.shared import PATH, SPAN, note, output_options, print_json, reading_options
from memtool.core.algorithms import (
    Algorithm,
    UnknownAlgorithmError,
    compute_value,
    get_algorithm,
    list_algorithms,
)
from memtool.core.checksum import ChecksumResult, check_checksum, refresh_order
from memtool.core.chip import find_chip
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.span import Span, format_span_with_length, subtract_spans
from memtool.errors import UsageError
from memtool.formats.codec import ImageFormat
from memtool.render.checksum_json import algorithm_value, rule_value
from memtool.render.checksum_text import (
    render_catalogue,
    render_results,
    render_value,
    value_hex,
)
from memtool.render.words import safe_text
from memtool.store.layouts import read_layout
from memtool.workflow.loading import LoadedRead, ReadOptions, load_read

_LATE_COMMANDS = {"discover": "memtool.cli.checksum_discover"}
"""Subcommands in modules of their own; offered once the module is there."""


class _ChecksumGroup(click.Group):
    """Imports the larger subcommands only when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        late = [name for name, module in _LATE_COMMANDS.items() if importlib.util.find_spec(module)]
        return [*self.commands, *late]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        module = _LATE_COMMANDS.get(cmd_name)
        if module is None or importlib.util.find_spec(module) is None:
            return super().get_command(ctx, cmd_name)
        found = importlib.import_module(module).command
        assert isinstance(found, click.Command)
        return found


@click.group(
    cls=_ChecksumGroup,
    epilog="""Examples:

\b
  benchimage checksum list
  benchimage checksum compute read.bin --algorithm CRC-16/MODBUS --span 0x0100+64
  benchimage checksum check read.bin --layout door-c.toml""",
)
def command() -> None:
    """Catalogue, compute and check checksums.

    CRCs bear the names of the published catalogue; a bare "CRC-16" is refused, since it
    means different things to different tools.
    """


@command.command(
    "list",
    epilog="""Examples:

\b
  benchimage checksum list
  benchimage checksum list --json""",
)
@output_options
def list_command(as_json: bool) -> int:
    """Show every algorithm with its parameters."""
    algorithms = list_algorithms()
    if as_json:
        rows = [algorithm_value(algorithm) for algorithm in algorithms]
        print_json({"schema": "benchimage.checksum-list/1", "algorithms": rows})
    else:
        click.echo(render_catalogue(algorithms))
        note("Next: 'benchimage checksum compute IMAGE --algorithm NAME --span SPAN'.")
    return 0


@command.command(
    "compute",
    epilog="""Examples:

\b
  benchimage checksum compute read.bin --algorithm CRC-16/MODBUS --span 0x0100+64
  benchimage checksum compute read.hex --algorithm SUM-8/TWOS --span 0x0000+127 --json

For a name that ends in /TOTAL the value is the number that a field beside the span must
hold for a total of 0.""",
)
@click.argument("image", type=PATH)
@click.option("--algorithm", "name", required=True, metavar="NAME", help="See 'checksum list'.")
@click.option("--span", required=True, type=SPAN, help="The bytes to compute over.")
@reading_options
def compute_command(
    image: Path,
    name: str,
    span: Span,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Compute one checksum over one span of an image."""
    algorithm = _require_algorithm(name)
    read = _load(image, read_format, overlap, base, chip)
    data = _require_bytes(read, span)
    try:
        value = compute_value(algorithm, data)
    except ValueError as error:
        raise UsageError(
            f"{algorithm.name} cannot be computed over {format_span_with_length(span)}: {error}",
            code="odd-length",
            next_step="give a span of whole words",
        ) from error
    if as_json:
        print_json(
            {
                "schema": "benchimage.checksum-compute/1",
                "algorithm": algorithm.name,
                "start": span.start,
                "end": span.end,
                "width": algorithm.width,
                "hex": value_hex(value, algorithm.width),
            }
        )
    else:
        click.echo(render_value(algorithm, span, value))
    if len(set(data)) == 1:
        note(
            f"Note: every byte of the span is {data[0]:02X}; over such a block many algorithms"
            " agree, so a match proves nothing."
        )
    return 0


@command.command(
    "check",
    epilog="""Examples:

\b
  benchimage checksum check read.bin --layout door-c.toml
  benchimage checksum check donor.hex --layout door-c.toml --json

Ends with 1 if a checksum is wrong, and also if one could not be checked: what was not
checked is never called good.""",
)
@click.argument("image", type=PATH)
@click.option("--layout", "layout_path", required=True, type=PATH, help="The layout file.")
@reading_options
def check_command(
    image: Path,
    layout_path: Path,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Check every checksum that a layout names.

    They come in the order in which they are refreshed: one that covers the field of
    another stands below it.
    """
    loaded = read_layout(layout_path)
    read = _load(image, read_format, overlap, base, chip)
    rules = refresh_order(loaded.layout.checksums)
    results = [check_checksum(read.image, rule) for rule in rules]
    if as_json:
        print_json(
            {
                "schema": "benchimage.checksum-check/1",
                "image": read.path,
                "sha256": read.image.sha256(),
                "layout": loaded.layout.name,
                "layout_sha256": loaded.sha256,
                "checksums": [
                    rule_value(rule, result) for rule, result in zip(rules, results, strict=True)
                ],
            }
        )
    elif results:
        click.echo(render_results(results))
        _say_outcome(results)
    else:
        note(f"The layout '{safe_text(loaded.layout.name)}' names no checksum.")
    return 0 if all(result.result is Verdict.PASS for result in results) else 1


def _say_outcome(results: list[ChecksumResult]) -> None:
    verdicts = [result.result for result in results]
    counts = [
        f"{verdicts.count(verdict)} {words}"
        for verdict, words in (
            (Verdict.PASS, "right"),
            (Verdict.FAIL, "wrong"),
            (Verdict.NOT_CHECKED, "not checked"),
        )
        if verdict in verdicts
    ]
    note(f"{', '.join(counts)}.")
    if Verdict.FAIL in verdicts:
        note("A wrong one means a bad read, another layout, or content that was changed.")


def _load(
    path: Path, read_format: str | None, overlap: str | None, base: int, chip_name: str | None
) -> LoadedRead:
    chip = None if chip_name is None else find_chip(chip_name)
    if chip_name is not None and chip is None:
        raise UsageError(
            f"'{chip_name}' is no memory chip of the table",
            code="unknown-chip",
            next_step="write it as 24C16, 93C66, 95160",
        )
    read = load_read(
        path,
        ReadOptions(
            format=None if read_format is None else ImageFormat(read_format),
            base=base,
            overlap_last=overlap == "last",
        ),
    )
    if chip is not None and chip.size != read.image.size:
        note(f"Note: the read has {read.image.size} bytes, a {chip.name} holds {chip.size}.")
    return read


def _require_algorithm(name: str) -> Algorithm:
    try:
        return get_algorithm(name)
    except UnknownAlgorithmError as error:
        raise UsageError(
            str(error),
            code="ambiguous-algorithm" if error.ambiguous else "unknown-algorithm",
            next_step="'benchimage checksum list' shows all names",
        ) from error


def _require_bytes(read: LoadedRead, span: Span) -> bytes:
    image: Image = read.image
    if image.covers(span):
        return image.read(span)
    missing = subtract_spans([span], image.spans)
    defined = ", ".join(format_span_with_length(part) for part in image.spans[:4])
    raise UsageError(
        f"the image does not define {format_span_with_length(missing[0])} of that span",
        code="undefined-bytes",
        next_step=f"it defines {defined}" if defined else "it defines no byte at all",
        file=read.path,
        address=missing[0].start,
    )
