"""Whether the work was tried on the vehicle, where lives depend on the module.

Brakes, steering, high voltage and driver assistance: the verdict after setup stays open until
the calibration and the function test are on record, and the maker's procedure and a qualified
person are named (common practice, no source).
"""

from __future__ import annotations

from memtool.core.finding import Check
from memtool.core.job.job import Job
from memtool.core.job.order import Order
from memtool.core.job.stages.answers import failed, passed, undecided
from memtool.core.layouts.layout import ModuleKind

TESTED_KINDS = frozenset(
    {
        ModuleKind.BRAKES,
        ModuleKind.STEERING,
        ModuleKind.HIGH_VOLTAGE,
        ModuleKind.DRIVER_ASSISTANCE,
    }
)
"""Modules that are not handed over untried."""


def check_function_test(job: Job) -> tuple[Check, ...]:
    """The newest function test of every kind, and what is missing; nothing where none is due."""
    code, is_due = "function-test", job.order.module_kind in TESTED_KINDS
    named = _named(job.order) if is_due else ()
    if not job.function_tests:
        if not is_due:
            return ()
        text = f"A {job.order.module_kind} module: calibration and function test are not on record."
        return (*named, undecided(code, text))
    test = job.function_tests[-1]
    told = f"Tested on the vehicle: {test.text.rstrip('.')}"
    if not test.ok:
        return (*named, failed(code, f"{told}: not ok (journal entry {test.number})."))
    if is_due and test.calibration is None:
        return (*named, undecided(code, f"{told}: ok. The calibration is not on record."))
    done = "" if test.calibration is None else f" Calibration: {test.calibration.rstrip('.')}."
    return (*named, passed(code, f"{told}: ok (journal entry {test.number}).{done}"))


def _named(order: Order) -> tuple[Check, ...]:
    """The maker's procedure and the person who answers for the work."""
    code = "qualified-work"
    missing = [
        words
        for words, value in (
            ("the maker's procedure", order.procedure),
            ("a qualified person", order.qualified_person),
        )
        if value is None
    ]
    if missing:
        what = " and ".join(missing)
        are = "are" if len(missing) > 1 else "is"
        return (undecided(code, f"{what[0].upper()}{what[1:]} {are} not on record."),)
    text = f"By the maker's procedure {order.procedure}; done or answered for by"
    return (passed(code, f"{text} {order.qualified_person}."),)
