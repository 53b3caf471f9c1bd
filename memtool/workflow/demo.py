"""The invented jobs as a list of commands: what is typed, and which answer is expected."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.demo import door, seat, tailgate


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoStep:
    """One command of the demo."""

    say: str
    """What the technician does and why, one sentence."""
    arguments: tuple[str, ...]
    """After ``benchimage``."""
    expected: int
    """Exit status."""
    folder: str = ""
    """Of the demo's folder; empty: itself."""


JOB = "order-1042"
_KEEP = ("--keep", "0x0200+4", "--reason", "ignition cycles: usage, not identity")

SEAT_JOB = "order-1077"
TAILGATE_JOB = "order-1103"
JOBS = (JOB, SEAT_JOB, TAILGATE_JOB)
_SEAT_GUESSES = (
    *("text, equal in all at 0x0000", "serial or date text at 0x000C", "date at 0x0018"),
    *("configuration at 0x0020", "VIN", "state beside VIN at 0x0051", "VIN again at 0x0060"),
    *("random looking data at 0x00A0", "equal in all at 0x0100"),
    "checksum of 0x0040-0x0051",
    *(
        f"empty at 0x{start:04X}"
        for start in (0x001C, 0x0031, 0x0054, 0x0071, 0x0084, 0x00C0, 0x0182)
    ),
)


def list_steps() -> tuple[DemoStep, ...]:
    """Jobs from the reads to the customer file: with a layout, without one, with two memories."""
    return (*_door_steps(), *_seat_steps(), *_tailgate_steps())


def _door_steps() -> tuple[DemoStep, ...]:
    """Door zone controllers, whose layout is at hand."""
    reads = "../reads"
    return (
        DemoStep(
            say="Two reads of each module are on the bench laptop. Do the donor's agree?",
            arguments=(
                *("inspect", "reads/door-donor-1.bin", "reads/door-donor-2.hex"),
                *("--chip", door.CHIP, "--layout", "reads/door.toml"),
            ),
            expected=0,
        ),
        DemoStep(
            say="Open the job: every read becomes a backup, both modules are compared.",
            arguments=(
                *("start", "--job", JOB, "--chip", door.CHIP, "--layout", "reads/door.toml"),
                *("--original", "reads/door-original-1.bin"),
                *("--original", "reads/door-original-2.bin"),
                *("--donor", "reads/door-donor-1.bin", "--donor", "reads/door-donor-2.hex"),
                "--reseated",
                *(
                    "--work-order",
                    "1042",
                    "--vehicle-vin",
                    door.VEHICLE_VIN,
                    "--module-kind",
                    "body",
                ),
                *("--authority", "registration seen, order 1042 signed by the owner"),
                *("--complaint", "door zone dead after water entry"),
                *("--original-part", "DZ-4107-C", "--donor-part", "DZ-4107-C"),
                *("--donor-source", "dismantler's receipt 77-310", "--technician", "R. Amsel"),
            ),
            expected=0,
        ),
        DemoStep(
            say="Is the donor a suitable replacement? The serials differ, as they must.",
            arguments=("check", "--stage", "donor"),
            expected=1,
            folder=JOB,
        ),
        DemoStep(
            say="The person decides, with the reason.",
            arguments=("job", "decide", "module-identity", "serial and date are its own"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="Where is the donor's identity, in every stored form?",
            arguments=("find", door.DONOR_VIN, "donor"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="Plan how the old identity is removed. Nothing is written.",
            arguments=("blank", "donor", *_KEEP, "--dry-run"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="Remove it. Typing the last six characters of its VIN confirms it.",
            arguments=("blank", "donor", *_KEEP, "--confirm", door.DONOR_VIN[-6:]),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="May this file go onto that module?",
            arguments=("check", "--stage", "before-writing"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="The programmer has written it. Did the module take exactly this?",
            arguments=("check", f"{reads}/door-read-back.bin", "--stage", "after-writing"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="The maker's procedure has configured the module. Is every VIN the vehicle's?",
            arguments=("check", f"{reads}/door-finished.bin", "--stage", "after-setup"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="What else the customer should know goes into the record.",
            arguments=("job", "note", "warning lamp off, both doors tested, no codes"),
            expected=0,
            folder=JOB,
        ),
        DemoStep(
            say="Write the customer file.",
            arguments=("report",),
            expected=0,
            folder=JOB,
        ),
    )


def _seat_steps() -> tuple[DemoStep, ...]:
    """Seat modules that no layout describes: drafted, reviewed, then as always."""
    reads = "../reads"
    accepted = tuple(part for name in _SEAT_GUESSES for part in ("--accept", name))
    given = tuple(
        part
        for role in ("original", "donor", "reference")
        for number in (1, 2)
        for part in (f"--{role}", f"reads/seat-{role}-{number}.bin")
    )
    return (
        DemoStep(
            say="Another job: a seat module, and nobody has a layout of it. A third module,"
            " never configured, is at hand as reference.",
            arguments=(
                *("start", "--job", SEAT_JOB, "--chip", seat.CHIP, *given, "--reseated"),
                *("--work-order", "1077", "--vehicle-vin", seat.VEHICLE_VIN),
                *("--module-kind", "body"),
                *("--authority", "registration seen, order 1077 signed by the owner"),
                *("--complaint", "seat forgets its positions"),
                *("--original-part", "SM-2210-B", "--donor-part", "SM-2210-B"),
                *("--donor-source", "dismantler's receipt 77-402", "--technician", "R. Amsel"),
            ),
            expected=0,
        ),
        DemoStep(
            say="Draft a layout from the three modules' reads.",
            arguments=(
                *("layout", "draft", "original", "donor", "reference"),
                *("--name", "seat module, board B", "--out", "seat.toml"),
            ),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="A draft that nobody has reviewed blanks nothing.",
            arguments=(
                *("blank", "donor", "--layout", "seat.toml"),
                *("--confirm", seat.DONOR_VIN[-6:]),
            ),
            expected=3,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="Review it. At a terminal each guess is one screen; here every answer is an"
            " option.",
            arguments=("layout", "review", "seat.toml", *accepted),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="Does the reviewed layout hold for a module that the draft has not seen: the"
            " finished one?",
            arguments=(
                *("layout", "check", "seat-reviewed-1.toml"),
                *("--against", f"{reads}/seat-finished.bin"),
            ),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="Remove the old identity: VIN, its copy and the flag as in the reference; the"
            " counter was never named and stays.",
            arguments=(
                *("blank", "donor", "--layout", "seat-reviewed-1.toml"),
                *("--confirm", seat.DONOR_VIN[-6:]),
            ),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="May this file go onto that module?",
            arguments=("check", "--stage", "before-writing"),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="Did the module take exactly this?",
            arguments=("check", f"{reads}/seat-read-back.bin", "--stage", "after-writing"),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="The maker's procedure has configured it. Is every VIN the vehicle's?",
            arguments=("check", f"{reads}/seat-finished.bin", "--stage", "after-setup"),
            expected=1,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="One byte changed that no region names: the counter. A person decides that.",
            arguments=(
                *("job", "decide", "changed-bytes"),
                "the counter of seat moves: it has gone up by the moves of the test",
            ),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="Keep the layout for the next module of the family.",
            arguments=("layout", "add", "seat-reviewed-1.toml"),
            expected=0,
            folder=SEAT_JOB,
        ),
        DemoStep(
            say="Write the customer file.",
            arguments=("report",),
            expected=0,
            folder=SEAT_JOB,
        ),
    )


def _tailgate_steps() -> tuple[DemoStep, ...]:
    """Tailgate modules with two memories, and a reader that swaps the bytes of every word."""
    reads = "reads/tailgate"
    counts = (
        *(("original", "eeprom", number) for number in (1, 2)),
        *(("original", "flash", number) for number in (1, 2, 3)),
        *((role, memory, number) for role, memory in _DONOR_MEMORIES for number in (1, 2)),
    )
    given = tuple(
        part
        for role, memory, number in counts
        for part in (f"--{role}", f"{reads}-{role}-{memory}-{number}.bin")
    )
    return (
        DemoStep(
            say="A third, short job: a tailgate module that keeps its VIN in an EEPROM and, as"
            " records with old copies, in its controller's data flash. The reader swaps the bytes"
            " of every word of the EEPROM.",
            arguments=(
                *("start", "--job", TAILGATE_JOB),
                *("--memory", f"eeprom={tailgate.EEPROM}"),
                *("--memory", f"data-flash={tailgate.FLASH}"),
                *("--layout", f"{reads}-eeprom.toml", "--layout", f"{reads}-flash.toml"),
                *given,
                *("--work-order", "1103", "--customer", "A. Beispiel"),
                *("--vehicle-vin", tailgate.VEHICLE_VIN, "--module-kind", "body"),
                *("--authority", "registration seen, order 1103 signed by the owner"),
                *("--complaint", "tailgate opens by itself"),
                *("--original-part", "TG-3305-D", "--donor-part", "TG-3305-D"),
                *("--donor-source", "dismantler's receipt 77-455", "--technician", "R. Amsel"),
            ),
            expected=0,
        ),
        DemoStep(
            say="Is the donor a suitable replacement, in both memories?",
            arguments=("check",),
            expected=1,
            folder=TAILGATE_JOB,
        ),
        DemoStep(
            say="Remove it from both memories under one confirmation, old records too: both"
            " files, or none.",
            arguments=("blank", "donor", "--confirm", tailgate.DONOR_VIN[-6:]),
            expected=0,
            folder=TAILGATE_JOB,
        ),
        DemoStep(
            say="May these files go onto that module? A card for each says how to program it.",
            arguments=("check",),
            expected=0,
            folder=TAILGATE_JOB,
        ),
        DemoStep(
            say="Did the module take exactly this?",
            arguments=(
                *("check", f"../{reads}-read-back-eeprom.bin"),
                f"../{reads}-read-back-flash.bin",
            ),
            expected=0,
            folder=TAILGATE_JOB,
        ),
        DemoStep(
            say="The maker's procedure has configured it. Is every VIN the vehicle's, in both?",
            arguments=(
                *("check", f"../{reads}-finished-eeprom.bin"),
                f"../{reads}-finished-flash.bin",
            ),
            expected=0,
            folder=TAILGATE_JOB,
        ),
        DemoStep(
            say="Write the customer file: one for the whole module.",
            arguments=("report",),
            expected=0,
            folder=TAILGATE_JOB,
        ),
    )


_DONOR_MEMORIES = (("donor", "eeprom"), ("donor", "flash"))
