"""What `start` found as JSON values, in the shapes that `docs/schema/` publishes."""

from __future__ import annotations

from typing import Any

from memtool.core.health.agreement import Agreement
from memtool.core.job.job import checks_to_facts
from memtool.core.job.start import MemoryView, ModuleView, StartView
from memtool.core.layouts.layout import Layout
from memtool.core.read_options import PLAIN
from memtool.render.json.as_json import document, finding_values, vin_values
from memtool.render.text.next_steps import one_line
from memtool.render.text.start_steps import module_findings, next_step
from memtool.render.values import (
    setup_value,
    span_value,
    span_values,
)


def start_document(view: StartView) -> dict[str, Any]:
    """The view as the JSON document of ``benchimage start``."""
    return document(
        "start",
        job=str(view.folder),
        opened=view.is_new,
        order={
            "work_order": view.order.work_order,
            "customer": view.order.customer,
            "plate": view.order.plate,
            "vehicle_vin": view.order.vehicle_vin,
            "module_kind": view.order.module_kind.value if view.order.module_kind else None,
            "authority": view.order.authority,
            "complaint": view.order.complaint,
            "original_part": view.order.original_part,
            "donor_part": view.order.donor_part,
            "original_serial": view.order.original_serial,
            "donor_serial": view.order.donor_serial,
            "donor_source": view.order.donor_source,
            "donor_receipt": view.order.donor_receipt,
            "old_module": view.order.old_module.value if view.order.old_module else None,
            "technician": view.order.technician,
            "procedure": view.order.procedure,
            "qualified_person": view.order.qualified_person,
        },
        memories=[_memory_value(memory) for memory in view.memories],
        next=one_line(next_step(view)),
    )


def _memory_value(memory: MemoryView) -> dict[str, Any]:
    return {
        "name": memory.name,
        "chip": memory.chip,
        "original_unreadable": memory.unreadable,
        "modules": [_module_value(module, memory.layout) for module in memory.modules],
        "withdrawn": [
            {
                "role": read.role.value,
                "name": read.name,
                "sha256": read.sha256,
                "reason": read.reason,
            }
            for read in memory.withdrawn
        ],
        "reader_order": memory.reader_order.order if memory.reader_order else PLAIN,
        "not_read": span_values(memory.not_read),
        "family": checks_to_facts(memory.family),
        "differing": span_values(memory.differing),
        "pairs": [
            {
                **span_value(pair.span),
                "stored_as": pair.stored_as,
                "part": pair.part.value,
                "coding": pair.coding.value,
            }
            for pair in memory.pairs
        ],
        "layout": memory.layout.name if memory.layout else None,
        "layout_reason": memory.layout_reason,
        "setup": [setup_value(item) for item in memory.setup],
        "holds_identity": memory.holds_identity,
        "equal": memory.is_equal,
    }


def _agreement_value(agreement: Agreement) -> dict[str, Any]:
    return {
        "agree": agreement.agree,
        "differing_bytes": agreement.differing_bytes,
        "spans": span_values(agreement.spans),
        "more_reads": agreement.more_reads,
    }


def _module_value(module: ModuleView, layout: Layout | None) -> dict[str, Any]:
    backup = module.backup
    return {
        "role": backup.role.value,
        "backup": backup.backup,
        "sha256": backup.sha256,
        "size": backup.size,
        "reads": backup.read_count,
        "agree": backup.agree,
        "single_read_reason": backup.single_read_reason,
        "reseated": backup.reseated,
        "sitting": backup.sitting,
        "agreement": None if module.agreement is None else _agreement_value(module.agreement),
        "findings": finding_values(module_findings(module)),
        "vins": vin_values(module.vins, layout),
    }
