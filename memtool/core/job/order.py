"""The customer's order: what was ordered, for which vehicle, and who allowed it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from enum import StrEnum

from memtool.core.layouts.layout import ModuleKind


class AlsoHolds(StrEnum):
    """What a module of another kind may hold beside its own data."""

    KEYS = "keys"
    """Keys, codes or immobiliser secrets."""
    MILEAGE = "mileage"
    CRASH_DATA = "crash-data"


class OldModule(StrEnum):
    """Where the failed module is once the work is done."""

    CUSTOMER = "customer"
    """Given back to the customer."""
    CORE = "core"
    """Returned to a seller as a core; it carries the vehicle's VIN and perhaps its keys."""
    SCRAPPED = "scrapped"
    SHOP = "shop"
    """Kept by the shop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What the customer ordered and who allowed it. None: not on record."""

    work_order: str | None = None
    customer: str | None = None
    plate: str | None = None
    """Registration plate of the vehicle."""
    vehicle_vin: str | None = None
    vin_exception: str | None = None
    """Why the VIN is taken although its required check digit is wrong."""
    module_kind: ModuleKind | None = None
    also_holds: tuple[AlsoHolds, ...] | None = None
    """Sorted; empty: a person said that it holds nothing of these."""
    authority: str | None = None
    """How ownership was proven and who gave the written order."""
    complaint: str | None = None
    original_part: str | None = None
    donor_part: str | None = None
    original_serial: str | None = None
    """Serial number as the failed module's label has it."""
    donor_serial: str | None = None
    donor_source: str | None = None
    """Who sold the used module, or where it came from."""
    donor_receipt: str | None = None
    """Number or date of the seller's receipt."""
    old_module: OldModule | None = None
    technician: str | None = None
    procedure: str | None = None
    """The maker's procedure, where lives depend on the module."""
    qualified_person: str | None = None
    """Who does that work or answers for it."""

    def amended(self, given: Order) -> Order:
        """A copy with every fact put in that `given` has.

        What the module was once said to hold beside its own data is never taken back.
        """
        pairs = ((item.name, getattr(given, item.name)) for item in fields(given))
        facts = {name: value for name, value in pairs if value is not None}
        if given.also_holds is not None:
            facts["also_holds"] = tuple(sorted({*(self.also_holds or ()), *given.also_holds}))
        return replace(self, **facts)


def says_nothing(text: str | None) -> bool:
    """Whether an answer holds no letter and no digit: a blank or a dot is not enough."""
    return text is None or not any(character.isalnum() for character in text)
