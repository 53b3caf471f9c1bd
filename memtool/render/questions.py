"""What is asked of an order, and what is wrong with an answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from memtool.core.health.reader_orders import OrderSign
from memtool.core.job.order import AlsoHolds, OldModule, says_nothing
from memtool.core.job.stages.function_test import TESTED_KINDS
from memtool.core.layouts.layout import ModuleKind
from memtool.core.span import parse_span
from memtool.core.texts.vin import parse_vin
from memtool.core.words import count_of

ORDER_QUESTIONS = (
    ("work_order", "Work order number"),
    ("customer", "Customer"),
    ("plate", "Registration plate"),
    ("vehicle_vin", "VIN of the vehicle (from its plate and papers)"),
    ("module_kind", f"Kind of module ({', '.join(ModuleKind)})"),
    ("authority", "Proof of ownership and written order (who, what, when)"),
    ("complaint", "Complaint"),
    ("original_part", "Part number of the original module"),
    ("donor_part", "Part number of the donor module"),
    ("donor_source", "Where the donor came from"),
    ("technician", "Technician"),
    ("procedure", "Maker's procedure for this module (name or number)"),
    ("qualified_person", "Qualified person who does this work or answers for it"),
)
ALSO_HOLDS_QUESTION = ("also_holds", "What else does this module hold")
"""Asked after the kind, of `MAY_HOLD_MORE` alone."""
MAY_HOLD_MORE = (ModuleKind.BODY, ModuleKind.GATEWAY, ModuleKind.ENGINE, ModuleKind.CLUSTER)
"""Kinds that often keep keys, mileage or crash data beside their own."""
HELD = {
    AlsoHolds.KEYS: "keys, codes or immobiliser secrets",
    AlsoHolds.MILEAGE: "mileage",
    AlsoHolds.CRASH_DATA: "crash data",
}
MARK_THEM = "Space marks, Enter goes on; nothing marked: it holds none of these."
LEAVE_OPEN = "Enter leaves it open."
PAGE_ONE_QUESTIONS = (
    ("original_serial", "Serial number on the old module's label"),
    ("donor_serial", "Serial number on the used module's label"),
    ("donor_receipt", "Receipt of the used module's seller (number or date)"),
    ("old_module", f"Where is the old module now ({', '.join(OldModule)})"),
)
"""What page one of the report says beside them, once the module was checked after setup."""
MAY_STAY_EMPTY = frozenset(
    {
        *("customer", "plate", "complaint", "original_part", "donor_part", "donor_source"),
        *("authority", "procedure", "qualified_person"),
        *(name for name, _ in PAGE_ONE_QUESTIONS),
    }
)
_IN_WORDS = frozenset({"authority", "technician", "procedure", "qualified_person", "vin_exception"})
_WHERE_LIVES_DEPEND = frozenset({"procedure", "qualified_person"})
"""Asked for brakes, steering, high voltage and driver assistance alone."""
FIRST_MEMORY = "Memory chip, for example 95160 or eeprom=95160"
MORE_MEMORIES = "One more memory"
SINGLE_READ = "Why is there only one read"
RESEATED = "Was the clip removed and refitted between the reads"
NO_FILE_PICKED = "No file was picked yet: O, D or F says whose read the file here is."
MORE_TO_SAY = "What else is there to say of these reads?"
MORE_OF_READS = (
    "The module was powered since its earlier reads: count these anew",
    "Withdraw an earlier read",
    "An area was not read by your reader (not the same as empty)",
    "The original cannot be read",
    "Take all back that was said and answered here; the files stay",
)
"""What else a person may have to say of reads; the last where something was said."""
SITTING = "What happened between, and when"
WHICH_READ = "Which read is withdrawn?"
WHICH_MEMORY = "Which memory?"
AREA = "Which area, for example 0x0120-0x0130 or 0x0120+17"
WHY = "Why, for the record and the report"
NO_EARLIER_READ = "This job has no earlier read to withdraw."
FRESH_READ = "Fresh read of the module, made just now"
REPORTED_VIN = "VIN that the scan tool reports (several with a comma)"
REPORTED_CODES = "Codes that the scan tool reports, or none"
WHY_AGAIN = "Why does a new job begin with the reads of this one"

GO_ON_OR_ANEW = ("go on with it", "begin another order; forget this one")


def tell_unfinished(answers: Mapping[str, str], files: int) -> str:
    """Which order was left, and how much of it is there."""
    name = f"Order {number}" if (number := answers.get("work_order")) else "An order"
    picked = f", {count_of(files, 'file')} picked" if files else ""
    return f"{name} is not finished: {count_of(len(answers), 'question')} answered{picked}."


def question_about(name: str) -> str:
    """What is asked of a fact, by its name in `Order`; of a kind without the list of kinds."""
    if name == "vin_exception":
        return "The check digit is wrong, and vehicles of its maker's region need it. Why is it so"
    known = dict((*ORDER_QUESTIONS, ALSO_HOLDS_QUESTION, *PAGE_ONE_QUESTIONS))
    return known[name].split(f" ({ModuleKind.BODY}")[0]


def tell_order_sign(memory: str, sign: OrderSign) -> str:
    """Why it is asked how the reader writes that memory's files."""
    return f"{memory}: {sign.reason}, so your reader seems to write {sign.order}."


def order_question(memory: str, sign: OrderSign) -> str:
    """Whether it does."""
    return f"Does your reader write {memory} as {sign.order}"


def is_asked(name: str, answers: Mapping[str, str | None]) -> bool:
    """Whether an order of that kind is asked for this fact."""
    kind = answers.get("module_kind")
    if name == ALSO_HOLDS_QUESTION[0]:
        return kind in MAY_HOLD_MORE
    return name not in _WHERE_LIVES_DEPEND or kind in TESTED_KINDS


def find_emptiness(answer: str) -> str | None:
    """Why an answer that must say something does not, a sentence; None: it does."""
    return "Please say it in words." if says_nothing(answer) else None


def find_span_fault(answer: str) -> str | None:
    """Why an answer names no area, a sentence; None: it does."""
    try:
        parse_span(answer)
    except ValueError as error:
        return f"{error}."
    return None


def find_problem(name: str, answer: str) -> str | None:
    """Why an answer is none, a sentence; None: it is one."""
    if name == "module_kind" and answer not in list(ModuleKind):
        return f"Choose one of: {', '.join(ModuleKind)}."
    if name == "old_module" and answer not in list(OldModule):
        return f"Choose one of: {', '.join(OldModule)}."
    if name in _IN_WORDS:
        return find_emptiness(answer)
    if name == "vehicle_vin":
        try:
            parse_vin("".join(answer.split()).upper())
        except ValueError as error:
            return f"{error}."
    return None


def tell_more_of_reads(
    *,
    layouts: Sequence[str] = (),
    memories: Mapping[str, str] | None = None,
    single: str | None = None,
    reseated: str | None = None,
    reader_orders: Mapping[str, str] | None = None,
    sitting: str | None = None,
    withdrawn: Sequence[str] = (),
    not_read: Sequence[str] = (),
    unreadable: bool = False,
    reason: str | None = None,
) -> str:
    """What was said of reads beside the files themselves, in one line; not yet escaped."""
    parts = [f"Layout: {', '.join(layouts)}"] if layouts else []
    parts += [f"Memory: {name}={chip}" for name, chip in (memories or {}).items()]
    parts += [f"One read only: {single}"] if single else []
    parts += [f"Clip removed and refitted: {reseated}"] if reseated else []
    parts += [f"Reader's order: {name}={order}" for name, order in (reader_orders or {}).items()]
    parts += [f"Counted anew: {sitting}"] if sitting else []
    parts += [f"Withdrawn: {', '.join(withdrawn)}"] if withdrawn else []
    parts += [f"Not read: {', '.join(not_read)}"] if not_read else []
    parts += ["The original cannot be read"] if unreadable else []
    parts += [f"Reason: {reason}"] if reason else []
    return " · ".join(parts)
