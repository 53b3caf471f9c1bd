"""The usual cautions, in few words. Local codes and licensed practice decide.

All of them are common practice, no source; laws differ from country to country.
"""

from __future__ import annotations

from memtool.core.layouts.layout import ModuleKind

BEFORE_THE_JOB = (
    (
        "VIN and odometer law differs by country: changing either can be a crime. This tool"
        " writes no VIN and touches no odometer."
    ),
    "Keep proof of ownership and the customer's written order before any work.",
    "Know where the donor module came from, and keep the receipt.",
    (
        "Airbag and other safety systems (brakes, steering, high voltage): by the maker's"
        " procedure and licensed people only."
    ),
    "Disconnect the battery and wait as long as the maker says before unplugging anything.",
    "Set the reader to the chip's voltage; in circuit, it may power the whole board.",
    "Wear an earthed strap: static can destroy a module without visible damage.",
)
"""Shown by `start`, in the report and in the documentation."""

_HARMLESS = frozenset(
    {
        *(ModuleKind.BODY, ModuleKind.ENGINE, ModuleKind.TRANSMISSION),
        *(ModuleKind.CLUSTER, ModuleKind.GATEWAY),
    }
)
"""Kinds of module that the caution about safety systems is not about."""


def before_the_job(kind: ModuleKind | None) -> tuple[str, ...]:
    """What `start` shows of a module of this kind; all of it where the kind is not known."""
    return tuple(
        text
        for text in (*BEFORE_THE_JOB, DEFERENCE)
        if kind not in _HARMLESS or text != BEFORE_THE_JOB[3]
    )


_BESIDE = {
    "vehicle_vin": BEFORE_THE_JOB[0],
    "authority": BEFORE_THE_JOB[1],
    "donor_source": BEFORE_THE_JOB[2],
    "module_kind": BEFORE_THE_JOB[3],
    "procedure": BEFORE_THE_JOB[3],
    "reads": BEFORE_THE_JOB[5],
    "also_holds": (
        "Keys and crash data are never changed: the module is blanked only by a reviewed layout"
        " that shows where they lie."
    ),
}


def caution_beside(name: str) -> str | None:
    """The caution that belongs to a question about the order, by its name in `Order`."""
    return _BESIDE.get(name)


BEFORE_WRITING = (
    "Once written, the old content exists only in the backup.",
    "If the donor has been powered since its backup, read it again just before writing.",
    "Keep the supply stable while writing and configuring.",
    "The maker's service information and procedure configure the module, not this tool.",
)
"""Shown by `blank` and `check` before the module is written."""

DEFERENCE = (
    "Local codes, the maker's service information and licensed practice decide; this record"
    " replaces none of them."
)
