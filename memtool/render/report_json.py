"""The customer file as the JSON document ``benchimage.report/1``."""

from __future__ import annotations

from typing import Any

from memtool.core.job import checks_to_facts
from memtool.core.reporting.report import (
    Report,
    ReportAttachment,
    ReportChange,
    ReportChecksum,
    ReportChip,
    ReportModule,
    ReportStage,
)
from memtool.render.as_json import document, span_value


def report_document(report: Report) -> dict[str, Any]:
    """Every fact of the page, for scripts; pictures are named and not repeated."""
    return document(
        "report",
        job=report.job,
        as_of=report.as_of,
        shop=report.is_shop_copy,
        result=report.result,
        order=[{"label": label, "value": value} for label, value in report.order],
        vehicle_vin=report.vehicle_vin,
        identity_now=report.identity_now,
        original_unreadable=report.original_unreadable,
        modules=[_module(module) for module in report.modules],
        chips=[_chip(chip) for chip in report.chips],
        changes=[_change(change) for change in report.changes],
        stages=[_stage(stage) for stage in report.stages],
        proof=[
            {"text": line.text, "result": line.result.value, "source": line.source}
            for line in report.proof
        ],
        open_points=list(report.open_points),
        notes=[{"time": time, "text": text} for time, text in report.notes],
        attachments=[_attachment(attachment) for attachment in report.attachments],
        journal=[
            {
                "number": entry.number,
                "time": entry.time,
                "text": entry.text,
                "sha256": entry.sha256,
                "previous": entry.previous,
            }
            for entry in report.journal
        ],
        journal_sha256=report.journal_sha256,
    )


def _module(module: ReportModule) -> dict[str, Any]:
    return {
        "entry": module.entry,
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
        "files": [{"name": file.name, "sha256": file.sha256} for file in module.files],
        "findings": list(module.findings),
    }


def _chip(chip: ReportChip) -> dict[str, Any]:
    return {
        "chip": chip.chip,
        "layout": chip.layout,
        "layout_problem": chip.layout_problem,
        "images": [
            {
                "place": image.place.value,
                "entry": image.entry,
                "sha256": image.sha256,
                "size": image.size,
                "missing": image.missing,
                "agree": image.agree,
                "compared_with": image.compared_with.value if image.compared_with else None,
                "differing_bytes": image.differing_bytes,
            }
            for image in chip.images
        ],
        "checksums": [_checksum(checksum) for checksum in chip.checksums],
    }


def _checksum(checksum: ReportChecksum) -> dict[str, Any]:
    return {
        "name": checksum.name,
        "algorithm": checksum.algorithm,
        **span_value(checksum.span),
        "values": [
            {"place": value.place.value, "stored": value.stored, "result": value.result.value}
            for value in checksum.values
        ],
    }


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
        "summary": change.summary,
        "edits": [
            {
                **span_value(edit.span),
                "old": edit.old,
                "new": edit.new,
                "reason": edit.reason,
                "kind": edit.kind.value,
            }
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
        "chip": item.chip,
        "stale": item.stale,
        "entry": done.number if done else None,
        "time": done.time if done else None,
        "verdict": done.verdict.value if done else None,
        "subject": done.subject if done else None,
        "sha256": done.sha256 if done else None,
        "reported_vins": list(done.reported_vins) if done else [],
        "codes": done.codes if done else None,
        "checks": checks_to_facts(done.checks) if done else [],
    }


def _attachment(attachment: ReportAttachment) -> dict[str, Any]:
    shown = attachment.picture
    return {
        "name": attachment.name,
        "sha256": attachment.sha256,
        "caption": attachment.caption,
        "media_type": shown.media_type if shown else None,
        "width": shown.width if shown else None,
        "height": shown.height if shown else None,
        "not_shown": attachment.reason,
    }
