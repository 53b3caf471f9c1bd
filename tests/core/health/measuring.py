"""Runs the checks over generated images and faults, and counts."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from memtool.core.chip import chips_of_size, find_chip
from memtool.core.finding import Severity
from memtool.core.health.after_writing import diagnose_write
from memtool.core.health.agreement import compare_reads
from memtool.core.health.all_checks import find_health
from memtool.core.image import Image
from tests.core.health.faults_between_reads import PAIR_FAULTS, WRITE_FAULTS
from tests.core.health.faults_of_reads import FAULTS, Fault
from tests.core.health.healthy_images import make_healthy
from tests.core.health.planted_writes import plant_writes, rich_pieces
from tests.real_images import RealFile


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


def measure_real_alarms(
    pieces: Sequence[RealFile],
) -> tuple[int, list[tuple[str, str, str]]]:
    """(images with a warning or failure, what was said of them: name, code, sentence).

    The size of a firmware file is what its author made it, so `size-odd` is no alarm here.
    """
    alarmed, said = 0, []
    for piece in pieces:
        found = [
            finding
            for finding in find_health(Image.from_bytes(piece.data))
            if finding.severity is not Severity.INFO and finding.code != "size-odd"
        ]
        alarmed += bool(found)
        said += [(piece.name, finding.code, finding.text) for finding in found]
    return alarmed, said


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


def measure_planted_writes(
    files: Sequence[RealFile], sizes: Sequence[int], *, seed: int, rounds: int
) -> dict[str, list[int]]:
    """By cause: tried, named, and how many names were wrong.

    A second name is right where the bytes fit it exactly: with an identity in the upper part
    alone, old content there and everywhere is the same.
    """
    counted: dict[str, list[int]] = {}
    for size in sizes:
        chip = chips_of_size(size)[0]
        rich = rich_pieces(files, size)
        drawn = random.Random(f"{seed}/{size}")
        for _ in range(rounds):
            for planted in plant_writes(drawn, rich, size, chip.pages[-1]):
                before, intended, read_back = map(
                    Image.from_bytes, (planted.old, planted.new, planted.got)
                )
                others = [(name, Image.from_bytes(data)) for name, data in planted.others]
                found = diagnose_write(before, intended, read_back, chip, others)
                codes = {finding.code for finding in found}
                also = {"write-block-protected"} if planted.got == planted.old else set()
                row = counted.setdefault(planted.cause, [0, 0, 0])
                row[0] += 1
                row[1] += bool(codes & set(planted.codes))
                row[2] += len(codes - set(planted.codes) - also)
    return counted


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
