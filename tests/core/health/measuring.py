"""Runs the checks over generated images and faults, and counts."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field

from memtool.core.chip import chips_of_size, find_chip
from memtool.core.finding import Severity
from memtool.core.health import diagnose_write, find_health
from memtool.core.image import Image
from memtool.core.reads.agreement import compare_reads
from tests.core.health.faults_between_reads import PAIR_FAULTS, WRITE_FAULTS
from tests.core.health.faults_of_reads import FAULTS, Fault
from tests.core.health.healthy_images import make_healthy


@dataclass(slots=True)
class Row:
    """What came of one fault."""

    name: str
    evidence: str
    tried: int = 0
    evident: int = 0
    told: int = 0
    """Of the evident ones."""
    told_anyway: int = 0
    """Of those without evidence by the generator's own rule."""
    missed: list[str] = field(default_factory=list)

    def count(self, *, evident: bool, codes: list[str], right: tuple[str, ...], note: str) -> None:
        """Add one trial in which findings of `codes` came out."""
        told = any(code in right for code in codes)
        self.tried += 1
        if not evident:
            self.told_anyway += told
            return
        self.evident += 1
        self.told += told
        if not told:
            self.missed.append(f"{note}: {', '.join(codes)}")


def rated_codes(data: bytes) -> list[str]:
    """Codes of all warnings and failures."""
    found = find_health(Image.from_bytes(data))
    return [finding.code for finding in found if finding.severity is not Severity.INFO]


def measure_false_alarms(seed: int, images: int) -> tuple[int, Counter[tuple[str, str]]]:
    """(images with a warning or failure, which ones by family and code)."""
    alarmed, by_kind = 0, Counter[tuple[str, str]]()
    for number in range(images):
        family, data = make_healthy(seed, number)
        codes = rated_codes(data)
        alarmed += bool(codes)
        by_kind.update((family, code) for code in codes)
    return alarmed, by_kind


def measure_detection(seed: int, images: int, faults: tuple[Fault, ...] = FAULTS) -> list[Row]:
    """One row a fault of one read, each acted out on `images` healthy images."""
    rows = []
    for fault in faults:
        row = Row(fault.name, fault.evidence)
        for number in range(images):
            family, healthy = make_healthy(seed, number)
            damaged = fault.act(random.Random(f"{seed}/{fault.name}/{number}"), healthy)
            chip = chips_of_size(len(healthy))[0] if fault.with_chip else None
            found = find_health(Image.from_bytes(damaged), chip=chip)
            row.count(
                evident=fault.evident(healthy, damaged),
                codes=[finding.code for finding in found if "content" not in finding.code],
                right=fault.codes,
                note=f"{number} {family} {len(healthy)}",
            )
        rows.append(row)
    return rows


def measure_pairs(seed: int, images: int) -> list[Row]:
    """One row a fault between two reads."""
    rows = []
    for fault in PAIR_FAULTS:
        row = Row(fault.name, fault.evidence)
        for number in range(images):
            family, first = make_healthy(seed, number)
            second = fault.act(random.Random(f"{seed}/{fault.name}/{number}"), first)
            agreement = compare_reads([Image.from_bytes(first), Image.from_bytes(second)])
            row.count(
                evident=first != second and fault.evident(first, second),
                codes=[finding.code for finding in agreement.findings],
                right=fault.codes,
                note=f"{number} {family} {len(first)}",
            )
        rows.append(row)
    return rows


def measure_writing(seed: int, images: int) -> list[Row]:
    """One row a fault of writing; the chip holds 2,048 bytes of another image before."""
    rows = []
    size, chip = 2048, find_chip("24C16")
    for fault in WRITE_FAULTS:
        row = Row(fault.name, fault.evidence)
        for number in range(images):
            (family, new), (_, old) = (make_healthy(seed, number + step) for step in (0, 1))
            new, old = ((content * (size // len(content) + 1))[:size] for content in (new, old))
            got = fault.act(random.Random(f"{seed}/{fault.name}/{number}"), old, new)
            images_of = [Image.from_bytes(content) for content in (old, new, got)]
            before, intended, read_back = images_of
            found = diagnose_write(before, intended, read_back, chip)
            row.count(
                evident=fault.evident(old, new, got),
                codes=[finding.code for finding in found],
                right=fault.codes,
                note=f"{number} {family}",
            )
        rows.append(row)
    return rows
