"""The order as a person states it: every fact judged before it goes on record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

from memtool.core.job.order import AlsoHolds, OldModule, Order, says_nothing
from memtool.core.layouts.layout import ModuleKind
from memtool.core.texts.vin import CheckDigitState, check_digit_state, fold_typed, parse_vin
from memtool.errors import UsageError

NONE_HELD = "none"
"""Of `also_holds`: a person said that the module holds nothing else."""


def _require_check_digit(vin: str, exception: str | None) -> None:
    if exception is None and check_digit_state(vin) is CheckDigitState.INVALID:
        raise UsageError(
            "--vehicle-vin: its check digit is wrong, and vehicles of its maker's region need it",
            code="vin-check-digit",
            next_step="type it again from the plate; if it really reads so, give --vin-exception "
            "REASON",
        )


def make_order(facts: Mapping[str, str | None]) -> Order:
    """The order of these facts, by the names in `Order`; several of one with a comma.

    Raises:
        UsageError: the VIN is none, or a fact that must say something says nothing.
    """
    vin = facts.get("vehicle_vin")
    if vin is not None:
        vin = fold_typed(vin)
        try:
            parse_vin(vin)
        except ValueError as error:
            raise UsageError(
                f"--vehicle-vin: {error}", code="vin", next_step="type it as it is on the plate"
            ) from error
        _require_check_digit(vin, require_telling(facts.get("vin_exception"), "--vin-exception"))
    kind = facts.get("module_kind")
    return Order(
        work_order=facts.get("work_order"),
        customer=facts.get("customer"),
        plate=facts.get("plate"),
        vehicle_vin=vin,
        vin_exception=facts.get("vin_exception"),
        module_kind=ModuleKind(kind) if kind else None,
        also_holds=_also_holds(facts.get("also_holds")),
        authority=require_telling(facts.get("authority") or None, "--authority"),
        complaint=facts.get("complaint"),
        original_part=facts.get("original_part"),
        donor_part=facts.get("donor_part"),
        original_serial=facts.get("original_serial"),
        donor_serial=facts.get("donor_serial"),
        donor_source=facts.get("donor_source"),
        donor_receipt=facts.get("donor_receipt"),
        old_module=OldModule(old) if (old := facts.get("old_module")) else None,
        technician=require_telling(facts.get("technician"), "--technician"),
        procedure=require_telling(facts.get("procedure") or None, "--procedure"),
        qualified_person=require_telling(
            facts.get("qualified_person") or None, "--qualified-person"
        ),
    )


def facts_of(order: Order) -> dict[str, str | None]:
    """The facts that an order has, as `make_order` takes them."""
    pairs = ((item.name, getattr(order, item.name)) for item in fields(order))
    facts = {name: value for name, value in pairs if value is not None}
    held = facts.pop("also_holds", None)
    texts: dict[str, str | None] = {name: str(value) for name, value in facts.items()}
    return texts if held is None else {**texts, "also_holds": ", ".join(held) or NONE_HELD}


def option_of(name: str) -> str:
    """The option of `start` that gives a fact, by its name in `Order`."""
    return f"--{name.replace('_', '-')}"


def option_words(facts: Mapping[str, str | None]) -> list[str]:
    """The words of `start` that give these facts; what is not known is left out."""
    pairs = [
        (name, each)
        for name, value in facts.items()
        if value
        for each in (_held_words(value) if name == "also_holds" else (value,))
    ]
    return [word for name, value in pairs for word in (option_of(name), value)]


def _held_words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip() != NONE_HELD)


def _also_holds(text: str | None) -> tuple[AlsoHolds, ...] | None:
    return None if text is None else tuple(sorted(map(AlsoHolds, _held_words(text))))


def require_telling(text: str | None, option: str) -> str | None:
    """A text that says something: a blank or a dot is no reason and no name.

    Raises:
        UsageError: it says nothing.
    """
    if text is not None and says_nothing(text):
        raise UsageError(
            f"{option} is empty",
            code="says-nothing",
            next_step="write it in words; it appears in the record and in the report",
        )
    return text
