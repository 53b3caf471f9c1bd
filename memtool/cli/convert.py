"""`benchimage convert`: turn an image into another file format, and mend what it needs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, reading_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import IMAGE, NUMBER, PATH, SPAN
from memtool.core.finding import Severity
from memtool.core.read_options import ImageFormat
from memtool.core.span import Span, count_addresses, format_address, format_span_with_length
from memtool.core.texts.stored_forms import StoredForm, parse_stored_form
from memtool.core.words import count_of
from memtool.errors import UsageError
from memtool.render.json.as_json import document, finding_values, span_values
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.values import digest_words
from memtool.render.words import safe_text
from memtool.workflow.converting import Conversion, ConvertRequest, convert, majority_value

_LISTED = 20
"""Spans shown to people; JSON and the note have all of them."""


class _ViewType(click.ParamType[StoredForm]):
    name = "view"

    def convert(
        self, value: str | StoredForm, param: click.Parameter | None, ctx: click.Context | None
    ) -> StoredForm:
        if isinstance(value, StoredForm):
            return value
        try:
            return parse_stored_form(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


@click.command(
    epilog="""Examples:

\b
  benchimage convert read.hex read.bin --to raw
  benchimage convert read.hex read.bin --to raw --span 0x0000-0x07FF --fill 0xFF
  benchimage convert word-swapped.bin mended.bin --view swapped-16
  benchimage convert read1.bin voted.bin --majority read2.bin --majority read3.bin
  benchimage convert cut.hex whole.hex --accept missing-end

What makes the image differ from what the file said (an accepted fault, a vote, a view, a fill)
is recorded in OUT.note.json. Nothing is ever overwritten. Ends with 1 if the reads of a vote
disagree.""",
)
@click.argument("source", metavar="IN", type=IMAGE)
@click.argument("out", metavar="OUT", type=PATH)
@click.option(
    "--to",
    type=click.Choice([item.value for item in ImageFormat]),
    help="Format of OUT; default: that of IN.",
)
@click.option("--span", "spans", type=SPAN, multiple=True, help="Take only this span; repeatable.")
@click.option(
    "--fill",
    type=NUMBER,
    metavar="BYTE",
    help="Fill undefined addresses with this value, e.g. 0xFF.",
)
@click.option("--record-length", type=NUMBER, help="Data bytes per hex record; default 16.")
@click.option(
    "--accept",
    type=click.Choice(["missing-end"]),
    help="Accept a hex file without an end record; recorded in the note.",
)
@click.option(
    "--view", type=_ViewType(), metavar="NAME", help="Undo this stored form, e.g. swapped-16."
)
@click.option(
    "--majority",
    type=IMAGE,
    metavar="READ",
    multiple=True,
    help="For each byte, use the value that most reads (IN and these) agree on; repeatable.",
)
@job_option
@reading_options
def command(
    source: str,
    out: Path,
    to: str | None,
    spans: tuple[Span, ...],
    fill: int | None,
    record_length: int | None,
    accept: str | None,
    view: StoredForm | None,
    majority: tuple[str, ...],
    reading: Reading,
    as_json: bool,
) -> int:
    """Write the image of IN as another file: other format, part, word order, or a vote.

    IN is a file, or inside a job 'original', 'donor', 'reference', 'to-write'.
    """
    _require_byte(fill)
    context = reading.open(accept_missing_end=accept is not None)
    request = ConvertRequest(
        source=source,
        out=out,
        to=None if to is None else ImageFormat(to),
        majority=majority,
        view=view,
        spans=spans,
        fill=fill,
        record_length=record_length,
    )
    with at_work("converting"):
        done = convert(request, context)
    if as_json:
        print_json(_document(request, done))
    else:
        say(_render(request, done))
        chip = context.chip
        if chip is not None and chip.size != done.selection.image.size:
            size = count_of(chip.size, "byte")
            note(f"Warning: the chip has {size}, the file that was written not.")
        say_next(_next_step(request, done))
    disagree = done.majority is not None and bool(done.majority.doubtful)
    failed = any(finding.severity is Severity.FAILURE for finding in done.findings)
    return 1 if disagree or failed else 0


def _require_byte(fill: int | None) -> None:
    if fill is not None and fill > 0xFF:
        raise UsageError(f"--fill {fill} is not a byte, 0 to 255", code="not-a-byte")


def _document(request: ConvertRequest, done: Conversion) -> dict[str, Any]:
    image = done.selection.image
    return document(
        "convert",
        path=done.reads[0].path,
        format=done.reads[0].format.value,
        out=str(request.out),
        to=done.to.value,
        size=image.size,
        file_sha256=done.file_sha256,
        sha256=image.sha256(),
        segments=span_values(image.spans),
        filled=span_values(done.selection.filled),
        missing=span_values(done.selection.missing),
        accepted=list(done.accepted),
        view=None if request.view is None else request.view.name,
        majority=majority_value(done.majority),
        note=None if done.note is None else str(done.note),
        findings=finding_values(done.findings),
    )


def _render(request: ConvertRequest, done: Conversion) -> str:
    image = done.selection.image
    lines = [
        f"Read     {safe_text(done.reads[0].path)}: {done.reads[0].format}",
        f"Written  {safe_text(str(request.out))}: {done.to}, {count_of(image.size, 'byte')}",
        f"Image    SHA-256 {digest_words(image.sha256())}",
        *_list_spans("Holds", image.spans),
        *_list_spans("Filled", done.selection.filled),
        *_list_spans("Missing", done.selection.missing),
    ]
    if done.majority is not None:
        doubtful = count_addresses(done.majority.doubtful)
        lines.append(f"Majority {count_of(doubtful, 'byte')} on which the reads differ")
        lines += _list_spans("Doubtful", done.majority.doubtful)
        lines += _list_spans("No majority", done.majority.undecided)
    lines += [f"{finding.severity.capitalize()}: {finding.text}" for finding in done.findings]
    if done.note is not None:
        lines.append(f"Note     {safe_text(str(done.note))}")
    return "\n".join(lines)


def _list_spans(title: str, spans: tuple[Span, ...]) -> list[str]:
    lines = [f"{title:<8} {format_span_with_length(span)}" for span in spans[:_LISTED]]
    if len(spans) > _LISTED:
        lines.append(f"{title:<8} and {len(spans) - _LISTED:,} more spans")
    return lines


def _next_step(request: ConvertRequest, done: Conversion) -> NextStep:
    path = quoted(request.out)
    start = done.selection.image.segments[0].start
    base = ""
    if done.to is ImageFormat.RAW and start:
        note(f"A raw file keeps no addresses; its first byte is at {format_address(start)}.")
        base = f" --base {format_address(start)}"
    return NextStep(text="look at the new file", commands=(f"benchimage inspect {path}{base}",))
