"""The customer file as the JSON document ``benchimage.report/2``."""

from __future__ import annotations

from enum import Enum
from typing import Any

from memtool.core.job.decisions import points_to_facts
from memtool.core.job.job import checks_to_facts
from memtool.core.job.stages.read_time import tell_given
from memtool.core.report.report import (
    Report,
    ReportAttachment,
    ReportChange,
    ReportChecksum,
    ReportChip,
    ReportModule,
    ReportStage,
)
from memtool.render.json.as_json import document
from memtool.render.learned import procedure_values
from memtool.render.values import setup_value, span_value


def report_document(report: Report) -> dict[str, Any]:
    """Every fact of the page, for scripts; pictures are named and not repeated."""
    plain = ("job", "as_of", "outcome", "result", "vehicle_vin", "identity_now")
    return document(
        "report",
        **_pick(report, *plain, "original_unreadable", "journal_sha256"),
        **_pick(report, "story", "statements", "open_points", "customer_points"),
        shop=report.is_shop_copy,
        workshop=_pick(report.shop, "name", "address") if report.shop else None,
        serials=[_pick(serial, "role", "label", "memory", "result") for serial in report.serials],
        order=[{"label": label, "value": value} for label, value in report.order],
        modules=[_module(module) for module in report.modules],
        chips=[_chip(chip) for chip in report.chips],
        changes=[_change(change) for change in report.changes],
        stages=[_stage(stage) for stage in report.stages],
        proof=[_pick(line, "text", "result", "source") for line in report.proof],
        notes=[_pick(note, "time", "text") for note in report.notes],
        attachments=[_attachment(attachment) for attachment in report.attachments],
        journal=[
            _pick(entry, "number", "time", "text", "sha256", "previous") for entry in report.journal
        ],
    )


def _pick(source: object, *names: str) -> dict[str, Any]:
    """The named facts of an object as JSON values; all null where there is none."""
    return {name: _plain(getattr(source, name, None)) for name in names}


def _plain(value: object) -> object:
    if isinstance(value, Enum):
        return value.value
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def _module(module: ReportModule) -> dict[str, Any]:
    backup = module.backup
    facts = ("role", "chip", "size", "agree", "single_read_reason", "reseated", "sha256")
    return {
        **_pick(module, "part", "source"),
        **_pick(backup, *facts, "backup", "findings"),
        "entry": backup.number,
        "reads": backup.read_count,
        "files": [{"name": name, "sha256": digest} for name, digest in module.files],
    }


def _chip(chip: ReportChip) -> dict[str, Any]:
    facts = ("place", "entry", "sha256", "size", "missing", "agree", "compared_with")
    return {
        **_pick(chip, "chip", "reader_order", "layout", "layout_problem"),
        "images": [_pick(image, *facts, "differing_bytes") for image in chip.images],
        "checksums": [_checksum(checksum) for checksum in chip.checksums],
        "setup": [setup_value(item) for item in chip.setup],
        "procedure": None if chip.procedure is None else procedure_values(chip.procedure),
        "runs": [
            {
                **span_value(run.span),
                "region": run.region,
                "old": None if run.old is None else run.old.hex(),
                "new": None if run.new is None else run.new.hex(),
            }
            for run in chip.runs
        ],
    }


def _checksum(checksum: ReportChecksum) -> dict[str, Any]:
    return {
        **_pick(checksum.rule, "name", "algorithm"),
        **span_value(checksum.rule.stored),
        "values": [
            {**_pick(value, "place", "result"), "stored": value.stored or None}
            for value in checksum.values
        ],
    }


def _change(change: ReportChange) -> dict[str, Any]:
    blanking = change.blanking
    facts = ("number", "time", "out", "layout", "backup", "donor_sha256", "sha256", "file_sha256")
    return {
        **_pick(blanking, *facts, "leftovers", "searched"),
        **_pick(change, "chip", "summary"),
        "removed": list(blanking.identities),
        "edits": [
            {
                **span_value(edit.span),
                **_pick(edit, "reason", "kind"),
                "old": change.old_hex(edit),
                "new": edit.new.hex(),
            }
            for edit in blanking.edits
        ],
        "kept": [{**span_value(kept.span), "reason": kept.reason} for kept in blanking.kept],
        "checks": checks_to_facts(blanking.checks),
    }


def _stage(item: ReportStage) -> dict[str, Any]:
    done = item.done
    return {
        **_pick(item, "stage", "chip"),
        **_pick(done, "time", "subject", "sha256", "file_sha256", "codes"),
        "given": None if done is None else tell_given(done),
        "judged_again": list(done.again) if done else [],
        "verdict": None if done is None else item.verdict,
        "changed": list(item.changed),
        "entry": done.number if done else None,
        "reported_vins": list(done.reported_vins) if done else [],
        "checks": points_to_facts(item.points),
    }


def _attachment(attachment: ReportAttachment) -> dict[str, Any]:
    return {
        **_pick(attachment.file, "name", "sha256", "caption"),
        **_pick(attachment.picture, "media_type", "width", "height"),
        "not_shown": attachment.reason,
    }
