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

from memtool.core.conversion import Selection, apply_view, select_spans
from memtool.core.finding import Finding
from memtool.core.identity.stored_forms import StoredForm
from memtool.core.image import Image
from memtool.core.reads.agreement import Majority, majority_image
from memtool.core.span import Span
from memtool.errors import InputError, RefusalError, StoreError, UsageError
from memtool.formats.codec import DEFAULT_RECORD_LENGTH, ImageFormat, encode_image, parse_image
from memtool.render.as_json import document, finding_values, span_values
from memtool.store.backups import BackupStore
from memtool.store.reading import compute_sha256
from memtool.store.writing import write_new
from memtool.workflow.jobs import OpenJob, load_named
from memtool.workflow.loading import LoadedRead, ReadOptions, find_repeated

NOTE_SUFFIX = ".note.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvertRequest:
    """What is to be converted, and how."""

    source: str
    """A path, or inside a job the name of one of its images."""
    out: Path
    to: ImageFormat | None
    """None keeps the format of `source`."""
    reading: ReadOptions
    majority: tuple[str, ...] = ()
    """Further reads of the chip that vote with `source`, named like it."""
    chip: str | None = None
    """Which of the job's chips a name is about."""
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


def convert(request: ConvertRequest, *, opened: OpenJob | None, store: BackupStore) -> Conversion:
    """Read, vote, mend, choose, fill, write; see `memtool.core.conversion` for the order.

    Args:
        request: What is wanted.
        opened: The job whose images may be named; None outside one.
        store: Keeps that job's reads.

    Raises:
        UsageError: an even number of reads is to vote, or an option does not belong here.
        RefusalError: the output exists, or a rule of `memtool.core.conversion` says no.
        InputError: a file is not a sound image, or the reads do not fit together.
        StoreError: the write failed.
    """
    _require_free(request.out)
    names = (request.source, *request.majority)
    if len(names) % 2 == 0:
        raise UsageError(
            f"{len(names)} reads cannot form a majority, an odd number can",
            code="even-number-of-reads",
            next_step="give --majority twice, four times …: IN is one of the reads",
        )
    reads = tuple(
        load_named(name, request.reading, opened=opened, store=store, chip=request.chip)
        for name in names
    )
    _require_different(reads)
    source = reads[0]
    majority = _vote(reads)
    image = source.image if majority is None else majority.image
    if request.view is not None:
        image = apply_view(image, request.view)
    selection = select_spans(image, request.spans, fill=request.fill)
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
    _write(request, conversion, data)
    return conversion


def _require_free(path: Path) -> None:
    """Say no before any work; the write itself refuses as well."""
    if path.exists() or path.is_symlink():
        raise RefusalError(
            "the output exists already and is never overwritten",
            code="output-exists",
            next_step="choose another name",
            file=str(path),
        )


def _require_different(reads: Sequence[LoadedRead]) -> None:
    same = find_repeated(reads)
    if same:
        raise RefusalError(same[0].text.rstrip("."), code=same[0].code, file=reads[0].path)


def _vote(reads: Sequence[LoadedRead]) -> Majority | None:
    if len(reads) == 1:
        return None
    try:
        return majority_image([read.image for read in reads])
    except InputError as error:
        error.file = reads[0].path
        raise


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
            next_step="report this as a mistake of the program",
        )
    return data


def _write(request: ConvertRequest, conversion: Conversion, data: bytes) -> None:
    """Write file and note; the note is on the medium before the file's name appears."""
    note = conversion.note
    if note is None:
        write_new(request.out, data)
        return
    _require_free(note)
    content = json.dumps(_note_document(request, conversion), indent=2) + "\n"
    write_new(
        request.out,
        data,
        before_publish=lambda: _write_note(note, content.encode("ascii")),
    )


def _write_note(note: Path, content: bytes) -> None:
    write_new(note, content)


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
