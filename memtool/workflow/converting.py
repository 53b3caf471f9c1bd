"""`convert`: reads one file, or several reads to vote, and writes another.

Whatever makes the written image differ from what the file said (an accepted fault, a vote,
a view, a fill) is recorded in a note beside it, which appears together with the file.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from memtool.core.conversion import (
    Selection,
    select_spans,
)
from memtool.core.finding import Finding
from memtool.core.health.agreement import Majority, majority_image
from memtool.core.image import Image
from memtool.core.job.conversion_rules import (
    require_no_new_identity,
    require_one_module,
    require_voted_vins,
)
from memtool.core.job.events.kinds import CommandRun
from memtool.core.reader_order import apply_view
from memtool.core.span import Span
from memtool.core.texts.stored_forms import StoredForm
from memtool.errors import InputError, RefusalError, StoreError, UsageError
from memtool.formats.codec import DEFAULT_RECORD_LENGTH, ImageFormat, encode_image, parse_image
from memtool.render.json.as_json import document, finding_values
from memtool.render.values import span_values
from memtool.store.reading import compute_sha256
from memtool.store.writing import write_new
from memtool.workflow.context import Context, clock
from memtool.workflow.guards import find_job_vins
from memtool.workflow.jobs import name_in_journal
from memtool.workflow.loading import LoadedRead, find_repeated
from memtool.workflow.writing import NewFile, require_free, write_files

NOTE_SUFFIX = ".note.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvertRequest:
    """What is to be converted, and how."""

    source: str
    """A path, or inside a job the name of one of its images."""
    out: Path
    to: ImageFormat | None
    """None keeps the format of `source`."""
    majority: tuple[str, ...] = ()
    """Further reads of the chip that vote with `source`, named like it."""
    view: StoredForm | None = None
    spans: tuple[Span, ...] = ()
    """All of the image where empty."""
    fill: int | None = None
    record_length: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """What was written."""

    reads: tuple[LoadedRead, ...]
    """The source, then the other reads of a vote."""
    to: ImageFormat
    selection: Selection
    majority: Majority | None
    accepted: tuple[str, ...]
    """Faults of the file that were accepted: ``missing-end``, ``overlap-last``."""
    file_sha256: str
    """Of the written file."""
    note: Path | None
    """The companion note; None where the image is what the file said."""
    findings: tuple[Finding, ...]
    """Of all files that were read."""


def convert(request: ConvertRequest, context: Context) -> Conversion:
    """Read, vote, mend, choose, fill, write; see `memtool.core.conversion` for the order.

    Args:
        request: What is wanted.
        context: The job whose images may be named, and how files are read.

    Raises:
        UsageError: an even number of reads is to vote, or an option does not belong here.
        RefusalError: the output exists, or a rule of `memtool.core.job.conversion_rules` says no.
        InputError: a file is not a sound image, or the reads do not fit together.
        StoreError: the write failed.
    """
    require_free(request.out, context.opened)
    names = (request.source, *request.majority)
    if len(names) % 2 == 0:
        raise UsageError(
            f"{len(names)} reads cannot form a majority, an odd number can",
            code="even-number-of-reads",
            next_step="give --majority twice, four times …: IN is one of the reads",
        )
    reads = tuple(context.load_all(names))
    _require_different(reads)
    source = reads[0]
    majority = _vote(reads)
    image = source.image if majority is None else majority.image
    if request.view is not None:
        image = apply_view(image, request.view)
    selection = select_spans(image, request.spans, fill=request.fill)
    voted = source.image if majority is None else majority.image
    if selection.image != voted:
        known = _known_vins(context)
        is_view = request.view is not None
        require_no_new_identity(voted, selection.image, known=known, is_view=is_view)
    to = request.to or source.format
    data = _encode(selection.image, to, request.record_length)
    findings = tuple(dict.fromkeys(finding for read in reads for finding in read.findings))
    accepted = tuple(sorted({item.code for item in findings} & {"missing-end", "overlap-last"}))
    changed = accepted or majority or request.view or selection.filled
    note = request.out.with_name(request.out.name + NOTE_SUFFIX) if changed else None
    conversion = Conversion(
        reads=reads,
        to=to,
        selection=selection,
        majority=majority,
        accepted=accepted,
        file_sha256=compute_sha256(data),
        note=note,
        findings=findings,
    )
    _write(request, conversion, data, context)
    return conversion


def _require_different(reads: Sequence[LoadedRead]) -> None:
    same = find_repeated(reads)
    if same:
        raise RefusalError(same[0].text.rstrip("."), code=same[0].code, file=reads[0].path)


def _known_vins(context: Context) -> tuple[str, ...]:
    """The VINs of the job that the command runs in; a trace of them must not come out."""
    return () if context.opened is None else find_job_vins(context.opened, context.store)


def _vote(reads: Sequence[LoadedRead]) -> Majority | None:
    if len(reads) == 1:
        return None
    images = [read.image for read in reads]
    require_one_module(images)
    try:
        majority = majority_image(images)
    except InputError as error:
        error.file = reads[0].path
        raise
    require_voted_vins(images, majority.image)
    return majority


def _encode(image: Image, to: ImageFormat, record_length: int | None) -> bytes:
    """The file, read back in memory: what does not give the same image is not written."""
    if to is ImageFormat.RAW:
        if record_length is not None:
            raise UsageError(
                "a raw file has no records",
                code="no-records",
                next_step="leave out --record-length, or write a hex file",
            )
        if len(image.segments) > 1:
            raise RefusalError(
                f"the image has {len(image.segments)} parts with gaps between them, a raw file"
                " has no gaps",
                code="raw-with-gaps",
                next_step="fill them with --fill BYTE, choose one part with --span, or write"
                " Intel HEX",
                address=image.segments[0].end,
            )
    length = DEFAULT_RECORD_LENGTH if record_length is None else record_length
    try:
        data = encode_image(image, to, record_length=length)
    except ValueError as error:
        raise UsageError(str(error), code="cannot-be-written") from error
    base = image.segments[0].start
    if parse_image(data, format=to, base=base).image != image:
        raise StoreError(
            "the written records would not read back as the same image",
            code="verify-failed",
            next_step="please report this as a bug of the program",
        )
    return data


def _write(request: ConvertRequest, conversion: Conversion, data: bytes, context: Context) -> None:
    """Write file and note; the note is on the medium before the file's name appears."""
    new = [NewFile(path=request.out, data=data)]
    if conversion.note is not None:
        content = json.dumps(_note_document(request, conversion), indent=2) + "\n"
        new.insert(0, NewFile(path=conversion.note, data=content.encode("ascii")))
    opened = context.opened
    if opened is None:
        for file in new[:-1]:
            require_free(file.path)

        def write_note() -> None:
            for file in new[:-1]:
                write_new(file.path, file.data)

        write_new(request.out, data, before_publish=write_note)
        return
    event = CommandRun(
        command="convert",
        details={
            "to": conversion.to.value,
            "sha256": conversion.selection.image.sha256(),
            "accepted": list(conversion.accepted),
            "view": None if request.view is None else request.view.name,
        },
    )
    files = [(read.path, read.file_sha256) for read in conversion.reads]
    files.append((name_in_journal(opened, request.out), conversion.file_sha256))
    write_files(opened, event, new, files=files, now=clock())


def _note_document(request: ConvertRequest, conversion: Conversion) -> dict[str, Any]:
    return document(
        "convert-note",
        out=request.out.name,
        to=conversion.to.value,
        file_sha256=conversion.file_sha256,
        sha256=conversion.selection.image.sha256(),
        inputs=[
            {
                "name": Path(read.path).name,
                "format": read.format.value,
                "file_sha256": read.file_sha256,
                "sha256": read.image.sha256(),
            }
            for read in conversion.reads
        ],
        accepted=list(conversion.accepted),
        view=None if request.view is None else request.view.name,
        fill=request.fill,
        filled=span_values(conversion.selection.filled),
        majority=majority_value(conversion.majority),
        findings=finding_values(conversion.findings),
    )


def majority_value(majority: Majority | None) -> dict[str, Any] | None:
    """Where the reads disagreed, as a JSON value; None where nothing was voted on."""
    if majority is None:
        return None
    return {
        "doubtful": span_values(majority.doubtful),
        "undecided": span_values(majority.undecided),
    }
