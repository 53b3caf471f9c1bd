"""`benchimage convert`: turn an image into another file format, and mend what it needs."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from memtool.cli.session import clock, current_job, open_store
from memtool.cli.shared import NUMBER, PATH, SPAN, note, print_json, reading_options
from memtool.core.chip import find_chip
from memtool.core.finding import Severity
from memtool.core.identity.stored_forms import StoredForm, parse_stored_form
from memtool.core.span import Span, count_addresses, format_address, format_span_with_length
from memtool.errors import UsageError
from memtool.formats.parsed import ImageFormat
from memtool.render.as_json import document, finding_values, span_values
from memtool.render.words import count_of, safe_text
from memtool.workflow.converting import Conversion, ConvertRequest, convert, majority_value
from memtool.workflow.jobs import OpenJob, name_in_record, record
from memtool.workflow.loading import ReadOptions

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
@click.argument("source", metavar="IN", type=click.Path())
@click.argument("out", metavar="OUT", type=PATH)
@click.option(
    "--to",
    type=click.Choice([item.value for item in ImageFormat]),
    help="Format of OUT; otherwise that of IN.",
)
@click.option("--span", "spans", type=SPAN, multiple=True, help="Take only this span; repeatable.")
@click.option(
    "--fill", type=NUMBER, metavar="BYTE", help="Give undefined addresses this value, as 0xFF."
)
@click.option(
    "--record-length", type=NUMBER, help="Data bytes a record of a hex file; otherwise 16."
)
@click.option(
    "--accept",
    type=click.Choice(["missing-end"]),
    help="Read a hex file without end record; recorded in the note.",
)
@click.option(
    "--view", type=_ViewType(), metavar="NAME", help="Undo this stored form, as swapped-16."
)
@click.option(
    "--majority",
    type=click.Path(),
    metavar="READ",
    multiple=True,
    help="Take each byte as most of IN and these reads have it; repeatable.",
)
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
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
    job: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Write the image of IN as another file: other format, part, word order, or a vote.

    IN is a file, or inside a job 'original', 'donor', 'reference', 'to-write'.
    """
    _require_byte(fill)
    size = _chip_size(chip)
    request = ConvertRequest(
        source=source,
        out=out,
        to=None if to is None else ImageFormat(to),
        reading=ReadOptions(
            format=None if read_format is None else ImageFormat(read_format),
            base=base,
            overlap_last=overlap is not None,
            accept_missing_end=accept is not None,
        ),
        majority=majority,
        chip=chip,
        view=view,
        spans=spans,
        fill=fill,
        record_length=record_length,
    )
    opened = current_job(job)
    done = convert(request, opened=opened, store=open_store(store))
    if opened is not None:
        _record(opened, request, done)
    if as_json:
        print_json(_document(request, done))
    else:
        click.echo(_render(request, done))
        if size is not None and size != done.selection.image.size:
            note(f"Warning: the chip has {count_of(size, 'byte')}, the file that was written not.")
        note(_next_step(request, done))
    disagree = done.majority is not None and bool(done.majority.doubtful)
    failed = any(finding.severity is Severity.FAILURE for finding in done.findings)
    return 1 if disagree or failed else 0


def _record(opened: OpenJob, request: ConvertRequest, done: Conversion) -> None:
    record(
        opened,
        "command-run",
        {
            "command": "convert",
            "to": done.to.value,
            "sha256": done.selection.image.sha256(),
            "accepted": list(done.accepted),
            "view": None if request.view is None else request.view.name,
        },
        files=[
            *((read.path, read.file_sha256) for read in done.reads),
            (name_in_record(opened, request.out), done.file_sha256),
        ],
        now=clock(),
    )


def _require_byte(fill: int | None) -> None:
    if fill is not None and fill > 0xFF:
        raise UsageError(f"--fill {fill} is not a byte, 0 to 255", code="not-a-byte")


def _chip_size(name: str | None) -> int | None:
    if name is None:
        return None
    chip = find_chip(name)
    if chip is None:
        raise UsageError(
            f"'{name}' is not a known chip",
            code="unknown-chip",
            next_step="leave out --chip, or write it as 24C16, 93C66, 95160",
        )
    return chip.size


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
        f"Image    SHA-256 {image.sha256()}",
        *_list_spans("Holds", image.spans),
        *_list_spans("Filled", done.selection.filled),
        *_list_spans("Missing", done.selection.missing),
    ]
    if done.majority is not None:
        doubtful = count_addresses(done.majority.doubtful)
        lines.append(f"Vote     {count_of(doubtful, 'byte')} on which the reads do not all agree")
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


def _next_step(request: ConvertRequest, done: Conversion) -> str:
    path = shlex.quote(str(request.out))
    start = done.selection.image.segments[0].start
    base = ""
    if done.to is ImageFormat.RAW and start:
        note(f"A raw file keeps no addresses; its first byte is at {format_address(start)}.")
        base = f" --base {format_address(start)}"
    return f"Next: '{safe_text(f'benchimage inspect {path}{base}')}' looks at the new file."
