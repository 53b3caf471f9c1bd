"""Write the customer file: from journal and images to a page, a PDF and their JSON, numbered."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.image import Image
from memtool.core.job import Job, KeptReads, Stage, build_job
from memtool.core.layouts.layout import Layout
from memtool.core.reporting.report import ImagePlace, Report, ReportFile
from memtool.core.reporting.report_building import JobImage, ReportSources, build_report
from memtool.core.reporting.report_proof import list_chips, newest_reads
from memtool.errors import MemtoolError
from memtool.formats.codec import ImageFormat
from memtool.render.html import Paper, render_report_page
from memtool.render.job_view import order_rows, tell_event
from memtool.render.pdf import RenderedPdf, render_report_pdf
from memtool.render.report_json import report_document
from memtool.store.backups import BackupStore
from memtool.store.journal import JournalEntry, read_journal
from memtool.store.layout_files.layouts import read_layout
from memtool.store.reading import compute_sha256, read_file
from memtool.store.writing import write_new
from memtool.workflow.jobs import REPORTS, OpenJob, record, relative_to_job
from memtool.workflow.loading import ReadOptions, load_read, parse_content

WRITTEN = "report-written"


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The customer file and where it lies."""

    report: Report
    page: Path
    pdf: Path | None
    """None where it could not be made, or was not wanted."""
    no_pdf: str | None
    """Why there is none, one sentence."""
    pdf_notes: tuple[str, ...]
    """What could not be printed as it is, sentences."""
    json: Path


def write_report(
    opened: OpenJob,
    store: BackupStore,
    *,
    is_shop_copy: bool,
    paper: Paper,
    with_pdf: bool,
    now: datetime,
) -> WrittenReport:
    """Write the next numbered report of a job and record it.

    A job that nothing was added to gives the same bytes again.

    Raises:
        StoreError: a file could not be written.
    """
    report = gather_report(opened, store, is_shop_copy=is_shop_copy)
    contents = [
        (".html", render_report_page(report, paper=paper).encode("utf-8")),
        (".json", (json.dumps(report_document(report), indent=2) + "\n").encode("ascii")),
    ]
    pdf = RenderedPdf(data=None, reason="No PDF was asked for.")
    if with_pdf:
        pdf = render_report_pdf(report, paper=paper)
    if pdf.data is not None:
        contents.append((".pdf", pdf.data))
    folder = opened.folder / REPORTS
    stem = _free_stem(folder, "shop-copy" if is_shop_copy else "report")
    files = [
        (relative_to_job(opened, path), write_new(path, content))
        for path, content in ((folder / f"{stem}{suffix}", data) for suffix, data in contents)
    ]
    record(opened, WRITTEN, {"shop": is_shop_copy}, files=files, now=now)
    return WrittenReport(
        report=report,
        page=folder / f"{stem}.html",
        pdf=None if pdf.data is None else folder / f"{stem}.pdf",
        no_pdf=pdf.reason,
        pdf_notes=pdf.notes,
        json=folder / f"{stem}.json",
    )


def gather_report(opened: OpenJob, store: BackupStore, *, is_shop_copy: bool) -> Report:
    """The facts of a job's customer file; writes nothing.

    What was written as a report at the end of the journal is left out: it says nothing of
    the work, and the same job gives the same report.
    """
    entries = list(read_journal(opened.journal))
    while entries[-1].kind == WRITTEN:
        entries.pop()
    job = build_job(entries)
    lines = read_file(opened.journal).data.splitlines(keepends=True)
    sources = ReportSources(
        name=opened.folder.resolve().name,
        order_rows=order_rows(job),
        journal=entries,
        journal_texts=[_tell(job, entry) for entry in entries],
        journal_sha256=compute_sha256(b"".join(lines[: len(entries)])),
        files={
            entry.number: [ReportFile(name=file.path, sha256=file.sha256) for file in entry.files]
            for entry in entries
        },
        images=tuple(_load_images(opened, job, store)),
        layouts=dict(_load_layouts(opened, job)),
        attached={
            item.number: _load_attached(opened, item.path, item.sha256) for item in job.attachments
        },
    )
    return build_report(job, sources, is_shop_copy=is_shop_copy)


_MORE = {"command-run": "command", "layout-chosen": "name"}
"""The fact of an entry that is told besides its kind."""


def _tell(job: Job, entry: JournalEntry) -> str:
    """One entry in a few words."""
    text = tell_event(job, entry.number, entry.kind)
    more = entry.facts.get(_MORE.get(entry.kind, ""))
    return f"{text}: {more}" if isinstance(more, str) else text


def _free_stem(folder: Path, name: str) -> str:
    """The first numbered stem that no kind of file has."""
    number = 1
    while any(
        (path := folder / f"{name}-{number}{suffix}").exists() or path.is_symlink()
        for suffix in (".html", ".pdf", ".json")
    ):
        number += 1
    return f"{name}-{number}"


def _load_images(opened: OpenJob, job: Job, store: BackupStore) -> Iterator[JobImage]:
    for kept in newest_reads(job):
        yield _load_backup(store, kept)
    for chip in list_chips(job):
        made = [item for item in job.blankings if item.chip == chip]
        if made:
            yield _load_copy(
                opened,
                chip,
                ImagePlace.TO_WRITE,
                (made[-1].number, made[-1].copy, made[-1].sha256),
                ReadOptions(format=ImageFormat(made[-1].format), base=_base_of(job, chip)),
            )
        for stage, place in (
            (Stage.AFTER_WRITING, ImagePlace.READ_BACK),
            (Stage.AFTER_SETUP, ImagePlace.FINISHED),
        ):
            checks = [
                check
                for check in job.stage_checks
                if check.stage is stage and check.copy and check.chip in (None, chip)
            ]
            if checks:
                done = checks[-1]
                yield _load_copy(
                    opened,
                    chip,
                    place,
                    (done.number, done.copy or "", done.sha256),
                    ReadOptions(base=_base_of(job, chip)),
                )


def _base_of(job: Job, chip: str) -> int:
    """Address of a raw file's first byte, as the chip's newest backup has it."""
    kept = [item.base for item in job.reads if item.chip == chip]
    return kept[-1] if kept else 0


def _load_backup(store: BackupStore, kept: KeptReads) -> JobImage:
    """All reads of a backup, each from its verified stored copy."""
    reads: list[Image] = []
    missing = None
    try:
        entry = store.entry(kept.backup)
        for number, read in enumerate(entry.reads):
            options = ReadOptions(
                format=ImageFormat(read.format),
                base=read.base,
                overlap_last=read.overlap_last,
                accept_missing_end=read.accept_missing_end,
            )
            data = store.read_file_of(entry, number)
            reads.append(parse_content(read.name, data, read.file_sha256, options).image)
    except MemtoolError as error:
        reads, missing = [], f"the backup store does not give it: {error.message}"
    return JobImage(
        place=ImagePlace(kept.role.value),
        chip=kept.chip,
        entry=kept.number,
        sha256=kept.sha256,
        reads=tuple(reads),
        missing=missing,
    )


def _load_copy(
    opened: OpenJob,
    chip: str,
    place: ImagePlace,
    recorded: tuple[int, str, str | None],
    options: ReadOptions,
) -> JobImage:
    """The job's own copy of an image; one that is not what the journal says is not shown."""
    entry, copy, digest = recorded
    reads: Sequence[Image] = ()
    missing = None
    try:
        image = load_read(opened.folder / copy, options).image
        if image.sha256() == digest:
            reads = (image,)
        else:
            missing = "the job's copy is not what the journal says"
    except MemtoolError as error:
        missing = f"the job's copy cannot be read: {error.message}"
    return JobImage(
        place=place, chip=chip, entry=entry, sha256=digest, reads=tuple(reads), missing=missing
    )


def _load_layouts(opened: OpenJob, job: Job) -> Iterator[tuple[str, Layout]]:
    """The job's copies of its layouts; one that was changed or lost is left out."""
    for chip in list_chips(job):
        chosen = job.layout_of(chip)
        if chosen is None:
            continue
        try:
            loaded = read_layout(opened.folder / chosen.path)
        except MemtoolError:
            continue
        if loaded.sha256 == chosen.sha256:
            yield chip, loaded.layout


def _load_attached(opened: OpenJob, path: str, digest: str) -> bytes | str:
    try:
        content = read_file(opened.folder / path)
    except MemtoolError as error:
        return f"the job's copy cannot be read: {error.message}"
    if content.sha256 != digest:
        return "the job's copy is not what the journal says"
    return content.data
