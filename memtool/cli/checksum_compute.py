"""`benchimage checksum compute`: one value over one span."""

from __future__ import annotations

import click

from memtool.cli.place import job_option
from memtool.cli.reading import Reading, note_oddities, note_other_size, reading_options
from memtool.cli.shared import note, print_json, say
from memtool.cli.types import IMAGE, SPAN
from memtool.core.checksums.algorithms import (
    Algorithm,
    UnknownAlgorithmError,
    compute_value,
    get_algorithm,
)
from memtool.core.span import Span, format_span_with_length, subtract_spans
from memtool.errors import UsageError
from memtool.render.text.checksum_text import render_value, value_hex
from memtool.workflow.loading import LoadedRead
from memtool.workflow.showing import require_not_protected


@click.command(
    "compute",
    epilog="""Examples:

\b
  benchimage checksum compute read.bin --algorithm CRC-16/MODBUS --span 0x0100+64
  benchimage checksum compute read.hex --algorithm SUM-8/TWOS --span 0x0000+127 --json

For a name that ends in /TOTAL the value is the number that a field beside the span must
hold for a total of 0.""",
)
@click.argument("image", type=IMAGE)
@click.option("--algorithm", "name", required=True, metavar="NAME", help="See 'checksum list'.")
@click.option("--span", required=True, type=SPAN, help="The bytes to compute over.")
@job_option
@reading_options
def command(
    image: str,
    name: str,
    span: Span,
    reading: Reading,
    as_json: bool,
) -> int:
    """Compute one checksum over one span of an image.

    IMAGE is a file, or inside a job 'original', 'donor', 'reference', 'to-write'.
    """
    algorithm = _require_algorithm(name)
    context = reading.open()
    read = context.load(image)
    note_oddities([read])
    note_other_size([read], context.chip)
    require_not_protected(context, image, read, span)
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
        say(render_value(algorithm, span, value))
    context.record(
        "checksum compute",
        {
            "algorithm": algorithm.name,
            "start": span.start,
            "end": span.end,
            "hex": value_hex(value, algorithm.width),
        },
        reads=[read],
    )
    if len(set(data)) == 1:
        note(
            f"Note: every byte of the span is {data[0]:02X}; over such a block many algorithms"
            " agree, so a match proves nothing."
        )
    return 0


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
    image = read.image
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
