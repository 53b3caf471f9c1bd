"""Write the customer file: from the journal to a page and its JSON, numbered."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.report import Report, build_report
from memtool.render.html import render_report_page
from memtool.render.job_view import order_rows, tell_event
from memtool.render.report_json import report_document
from memtool.store.reading import read_file
from memtool.store.writing import write_new
from memtool.workflow.jobs import REPORTS, OpenJob, free_path, record, relative_to_job, stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenReport:
    """The customer file and where it lies."""

    report: Report
    page: Path
    json: Path


def write_report(opened: OpenJob, *, is_shop_copy: bool, now: datetime) -> WrittenReport:
    """Write the next numbered report of a job and record it.

    Raises:
        StoreError: a file could not be written.
    """
    journal = read_file(opened.journal)
    report = build_report(
        opened.job,
        name=opened.folder.resolve().name,
        order_rows=order_rows(opened.job),
        journal_rows=[
            (number, time, tell_event(opened.job, number, kind))
            for number, time, kind in opened.job.events
        ],
        journal_sha256=journal.sha256,
        written=stamp(now),
        is_shop_copy=is_shop_copy,
    )
    folder = opened.folder / REPORTS
    page = free_path(folder, "shop-copy" if is_shop_copy else "report", ".html")
    data = page.with_suffix(".json")
    files = [
        (relative_to_job(opened, path), write_new(path, content))
        for path, content in (
            (page, render_report_page(report).encode("utf-8")),
            (data, (json.dumps(report_document(report), indent=2) + "\n").encode("ascii")),
        )
    ]
    record(opened, "report-written", {"shop": is_shop_copy}, files=files, now=now)
    return WrittenReport(report=report, page=page, json=data)
