"""The invented job as a list of commands: what is typed, and which answer is expected."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.demo import CHIP, DONOR_VIN, VEHICLE_VIN


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoStep:
    """One command of the demo."""

    say: str
    """What the technician does and why, one sentence."""
    arguments: tuple[str, ...]
    """After ``benchimage``."""
    expected: int
    """Exit status."""
    inside: bool = True
    """Whether it runs inside the job's folder."""


JOB = "order-1042"
_KEEP = ("--keep", "0x0200+4", "--reason", "ignition cycles: usage, not identity")


def list_steps() -> tuple[DemoStep, ...]:
    """The job from the reads to the customer file, in the demo's folder."""
    reads = "../reads"
    return (
        DemoStep(
            say="Two reads of each module are on the bench laptop. Do the donor's agree?",
            arguments=(
                *("inspect", "reads/door-donor-1.bin", "reads/door-donor-2.hex"),
                *("--chip", CHIP, "--layout", "reads/door.toml"),
            ),
            expected=0,
            inside=False,
        ),
        DemoStep(
            say="Open the job: every read becomes a backup, both modules are compared.",
            arguments=(
                *("start", "--job", JOB, "--chip", CHIP, "--layout", "reads/door.toml"),
                *("--original", "reads/door-original-1.bin"),
                *("--original", "reads/door-original-2.bin"),
                *("--donor", "reads/door-donor-1.bin", "--donor", "reads/door-donor-2.hex"),
                "--reseated",
                *("--work-order", "1042", "--vehicle-vin", VEHICLE_VIN, "--module-kind", "body"),
                *("--authority", "registration seen, order 1042 signed by the owner"),
                *("--complaint", "door zone dead after water entry"),
                *("--original-part", "DZ-4107-C", "--donor-part", "DZ-4107-C"),
                *("--donor-source", "dismantler's receipt 77-310", "--technician", "R. Amsel"),
            ),
            expected=0,
            inside=False,
        ),
        DemoStep(
            say="Is the donor a fit replacement? The serials differ, as they must: a person"
            " decides, and the verdict says so.",
            arguments=("check", "--stage", "donor"),
            expected=1,
        ),
        DemoStep(
            say="Where does the donor's identity lie, in every stored form?",
            arguments=("find", DONOR_VIN, "donor"),
            expected=0,
        ),
        DemoStep(
            say="Plan the blanking. Nothing is written.",
            arguments=("blank", "donor", *_KEEP, "--dry-run"),
            expected=0,
        ),
        DemoStep(
            say="Blank it. The last six characters of the identity that goes confirm.",
            arguments=("blank", "donor", *_KEEP, "--confirm", DONOR_VIN[-6:]),
            expected=0,
        ),
        DemoStep(
            say="May this file go onto that module?",
            arguments=("check", "--stage", "before-writing"),
            expected=0,
        ),
        DemoStep(
            say="The programmer has written it. Did the module take exactly this?",
            arguments=("check", f"{reads}/door-read-back.bin", "--stage", "after-writing"),
            expected=0,
        ),
        DemoStep(
            say="The maker's procedure has configured the module. Is every VIN the vehicle's?",
            arguments=("check", f"{reads}/door-finished.bin", "--stage", "after-setup"),
            expected=0,
        ),
        DemoStep(
            say="What else the customer should know goes into the record.",
            arguments=("job", "note", "warning lamp off, both doors tested, no codes"),
            expected=0,
        ),
        DemoStep(
            say="Write the customer file.",
            arguments=("report",),
            expected=0,
        ),
    )
