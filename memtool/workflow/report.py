"""Write the customer file: from journal and images to a page, a PDF and their JSON, numbered."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.image import Image
from memtool.core.job.events.event import Event
from memtool.core.job.events.kinds import (
    CommandRun,
    FilesIntended,
    LayoutChosen,
    ReadsBackedUp,
    ReportWritten,
)
from memtool.core.job.job import Job, build_job
from memtool.core.job.stage import Stage
from memtool.core.layouts.layout import Layout
from memtool.core.read_options import ReadOptions
from memtool.core.report.report import ImagePlace, Report, ShopProfile
from memtool.core.report.report_building import JobImage, ReportSources, build_report
from memtool.core.report.report_proof import newest_backups
from memtool.errors import MemtoolError
from memtool.formats.codec import ImageFormat
from memtool.render.json.report_json import report_document
from memtool.render.page.html import Paper, render_report_page
from memtool.render.page.pdf import RenderedPdf, render_report_pdf
from memtool.render.text.job_view import order_rows, tell_event
from memtool.store.backups import BackupStore
from memtool.store.journal import JournalEntry, read_journal
from memtool.store.layouts import read_layout
from memtool.store.reading import compute_sha256, read_file
from memtool.store.shop import default_shop_folder, read_shop
from memtool.workflow.facts_files import fetch_facts
from memtool.workflow.jobs import REPORTS, OpenJob, collecting_later, relative_to_job
from memtool.workflow.loading import load_read, parse_content
from memtool.workflow.writing import NewFile, is_left_over, write_files


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The customer file and where it lies."""

    opened: OpenJob
    """The job with the report on record."""
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

    A job that nothing was added to gives the same bytes again, for the same shop.

    Raises:
        StoreError: a file could not be written.
    """
    shop = read_shop(default_shop_folder())
    # Every byte of a large region that was blanked stands in the page.
    with collecting_later():
        report = gather_report(opened, store, is_shop_copy=is_shop_copy, shop=shop)
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
    stem = _choose_stem(opened, folder, "shop-copy" if is_shop_copy else "report", contents)
    new = [NewFile(path=folder / f"{stem}{suffix}", data=data) for suffix, data in contents]
    files = [(relative_to_job(opened, file.path), file.sha256) for file in new]
    opened = write_files(opened, ReportWritten(shop=is_shop_copy), new, files=files, now=now)
    return WrittenReport(
        opened=opened,
        report=report,
        page=folder / f"{stem}.html",
        pdf=None if pdf.data is None else folder / f"{stem}.pdf",
        no_pdf=pdf.reason,
        pdf_notes=pdf.notes,
        json=folder / f"{stem}.json",
    )


def gather_report(
    opened: OpenJob, store: BackupStore, *, is_shop_copy: bool, shop: ShopProfile | None = None
) -> Report:
    """The facts of a job's customer file; writes nothing.

    What was written as a report at the end of the journal is left out: it says nothing of
    the work, and the same job gives the same report.
    """
    entries = list(read_journal(opened.journal))
    while _tells_of_report(fetch_facts(opened.folder, entries[-1])):
        entries.pop()
    job = opened.job
    if len(entries) != len(job.events):
        job = build_job(fetch_facts(opened.folder, entry) for entry in entries)
    lines = read_file(opened.journal).data.splitlines(keepends=True)
    sources = ReportSources(
        name=opened.folder.resolve().name,
        order_rows=order_rows(job),
        journal=entries,
        journal_texts=[_tell(event) for event in job.events],
        journal_sha256=compute_sha256(b"".join(lines[: len(entries)])),
        files={entry.number: [file.sha256 for file in entry.files] for entry in entries},
        images=tuple(_load_images(opened, job, store)),
        layouts=dict(_load_layouts(opened, job)),
        attached={
            item.number: _load_attached(opened, item.path, item.sha256) for item in job.attachments
        },
        shop=shop,
    )
    return build_report(job, sources, is_shop_copy=is_shop_copy)


def _tells_of_report(entry: JournalEntry) -> bool:
    if entry.kind == FilesIntended.kind:
        return bool(entry.facts["purpose"] == ReportWritten.kind)
    return entry.kind == ReportWritten.kind


def _tell(event: Event) -> str:
    """One entry in a few words."""
    text = tell_event(event)
    match event:
        case CommandRun():
            return f"{text}: {event.command}"
        case LayoutChosen():
            return f"{text}: {event.name}"
    return text


def _choose_stem(
    opened: OpenJob, folder: Path, name: str, contents: Sequence[tuple[str, bytes]]
) -> str:
    """The first numbered stem that no kind of file has, what a cut-off run left apart."""
    digests = {suffix: compute_sha256(data) for suffix, data in contents}
    number = 1
    while any(
        (path := folder / f"{name}-{number}{suffix}").exists() or path.is_symlink()
        for suffix in (".html", ".pdf", ".json")
        if not is_left_over(opened, folder / f"{name}-{number}{suffix}", digests.get(suffix, ""))
    ):
        number += 1
    return f"{name}-{number}"


def _load_images(opened: OpenJob, job: Job, store: BackupStore) -> Iterator[JobImage]:
    for backup in newest_backups(job):
        yield _load_backup(store, backup)
    for memory in job.memories:
        made = job.blankings_of(memory)
        if made:
            yield _load_copy(
                opened,
                memory,
                ImagePlace.TO_WRITE,
                (made[-1].number, made[-1].copy, made[-1].sha256),
                ReadOptions(
                    format=ImageFormat(made[-1].format),
                    base=_base_of(job, memory),
                    order=made[-1].order,
                ),
            )
        for stage, place in (
            (Stage.AFTER_WRITING, ImagePlace.READ_BACK),
            (Stage.AFTER_SETUP, ImagePlace.FINISHED),
        ):
            checks = [
                check
                for check in job.stage_checks
                if check.stage is stage and check.copy and check.memory in (None, memory)
            ]
            if checks:
                done = checks[-1]
                yield _load_copy(
                    opened,
                    memory,
                    place,
                    (done.number, done.copy or "", done.sha256),
                    ReadOptions(base=_base_of(job, memory), order=done.order),
                )


def _base_of(job: Job, memory: str) -> int:
    """Address of a raw file's first byte, as the memory's newest backup has it."""
    bases = [item.base for item in job.backups if item.memory == memory]
    return bases[-1] if bases else 0


def _load_backup(store: BackupStore, backup: ReadsBackedUp) -> JobImage:
    """All reads of a backup, each from its verified stored copy."""
    reads: list[Image] = []
    missing = None
    try:
        entry = store.entry(backup.backup)
        for number, read in enumerate(entry.reads):
            data = store.read_file_of(entry, number)
            reads.append(parse_content(read.name, data, read.file_sha256, read.options).image)
    except MemtoolError as error:
        reads, missing = [], f"the backup store does not give it: {error.message}"
    return JobImage(
        place=ImagePlace(backup.role.value),
        memory=backup.memory or "",
        entry=backup.number,
        sha256=backup.sha256,
        reads=tuple(reads),
        missing=missing,
    )


def _load_copy(
    opened: OpenJob,
    memory: str,
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
        place=place, memory=memory, entry=entry, sha256=digest, reads=tuple(reads), missing=missing
    )


def _load_layouts(opened: OpenJob, job: Job) -> Iterator[tuple[str, Layout]]:
    """The job's copies of its layouts; one that was changed or lost is left out."""
    for memory in job.memories:
        chosen = job.layout_of(memory)
        if chosen is None:
            continue
        try:
            loaded = read_layout(opened.folder / chosen.path)
        except MemtoolError:
            continue
        if loaded.sha256 == chosen.sha256:
            yield memory, loaded.layout


def _load_attached(opened: OpenJob, path: str, digest: str) -> bytes | str:
    try:
        content = read_file(opened.folder / path)
    except MemtoolError as error:
        return f"the job's copy cannot be read: {error.message}"
    if content.sha256 != digest:
        return "the job's copy is not what the journal says"
    return content.data
