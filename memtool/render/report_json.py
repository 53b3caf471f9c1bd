"""The customer file as the JSON document ``benchimage.report/1``."""

from __future__ import annotations

from typing import Any

from memtool.core.job import checks_to_facts
from memtool.core.report import Report, ReportChange, ReportStage
from memtool.render.as_json import document, span_value


def report_document(report: Report) -> dict[str, Any]:
    """Every fact of the page, for scripts."""
    return document(
        "report",
        job=report.job,
        written=report.written,
        shop=report.is_shop_copy,
        result=report.result,
        order=[{"label": label, "value": value} for label, value in report.order],
        vehicle_vin=report.vehicle_vin,
        original_unreadable=report.original_unreadable,
        modules=[
            {
                "role": module.role.value,
                "part": module.part,
                "source": module.source,
                "chip": module.chip,
                "size": module.size,
                "reads": module.reads,
                "agree": module.agree,
                "single_read_reason": module.single_read_reason,
                "reseated": module.reseated,
                "sha256": module.sha256,
                "backup": module.backup,
                "names": list(module.names),
                "findings": list(module.findings),
            }
            for module in report.modules
        ],
        changes=[_change(change) for change in report.changes],
        stages=[_stage(stage) for stage in report.stages],
        proof=[
            {"text": line.text, "result": line.result.value, "source": line.source}
            for line in report.proof
        ],
        open_points=list(report.open_points),
        notes=[{"time": time, "text": text} for time, text in report.notes],
        attachments=[
            {"name": name, "sha256": digest, "caption": caption}
            for name, digest, caption in report.attachments
        ],
        journal=[
            {"number": number, "time": time, "text": text} for number, time, text in report.journal
        ],
        journal_sha256=report.journal_sha256,
    )


def _change(change: ReportChange) -> dict[str, Any]:
    return {
        "number": change.number,
        "time": change.time,
        "chip": change.chip,
        "out": change.out,
        "layout": change.layout,
        "backup": change.backup,
        "donor_sha256": change.donor_sha256,
        "sha256": change.sha256,
        "file_sha256": change.file_sha256,
        "removed": list(change.removed),
        "edits": [
            {**span_value(edit.span), "old": edit.old, "new": edit.new, "reason": edit.reason}
            for edit in change.edits
        ],
        "kept": [{**span_value(span), "reason": reason} for span, reason in change.kept],
        "leftovers": list(change.leftovers),
        "searched": change.searched,
        "checks": checks_to_facts(change.checks),
    }


def _stage(item: ReportStage) -> dict[str, Any]:
    done = item.done
    return {
        "stage": item.stage.value,
        "time": done.time if done else None,
        "verdict": done.verdict.value if done else None,
        "subject": done.subject if done else None,
        "sha256": done.sha256 if done else None,
        "reported_vins": list(done.reported_vins) if done else [],
        "codes": done.codes if done else None,
        "checks": checks_to_facts(done.checks) if done else [],
    }
