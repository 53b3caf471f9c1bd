"""The usual cautions, in few words. Local codes and licensed practice decide.

All of them are common practice, no source; laws differ from country to country.
"""

from __future__ import annotations

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
    "Wait the maker's time without battery before a connector is pulled.",
    "Set the reader to the chip's supply voltage; in circuit it may feed the whole board.",
    "Work earthed: static kills modules without a trace.",
)
"""Shown by `start`, in the report and in the documentation."""

BEFORE_WRITING = (
    "A written module cannot be asked what it held before: only the backup knows.",
    "Read the donor again right before writing, where it was powered since its backup.",
    "Hold the supply stable while the module is written and configured.",
    "The maker's service information and procedure configure the module, not this tool.",
)
"""Shown by `blank` and `check` before the module is written."""

DEFERENCE = (
    "Local codes, the maker's service information and licensed practice decide; this record"
    " replaces none of them."
)
