"""Runs the checks over generated images and faults, and counts."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field

from memtool.core.chip import chips_of_size
from memtool.core.finding import Severity
from memtool.core.health import find_health
from memtool.core.image import Image
from tests.core.health.faults_of_reads import FAULTS, Fault
from tests.core.health.healthy_images import make_healthy


@dataclass(slots=True)
class Row:
    """What came of one fault."""

    fault: Fault
    tried: int = 0
    evident: int = 0
    told: int = 0
    """Of the evident ones."""
    told_anyway: int = 0
    """Of those without evidence by the generator's own rule."""
    missed: list[str] = field(default_factory=list)


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
    """One row a fault, each acted out on `images` healthy images."""
    rows = []
    for fault in faults:
        row = Row(fault=fault)
        for number in range(images):
            family, healthy = make_healthy(seed, number)
            damaged = fault.act(random.Random(f"{seed}/{fault.name}/{number}"), healthy)
            chip = chips_of_size(len(healthy))[0] if fault.with_chip else None
            found = find_health(Image.from_bytes(damaged), chip=chip)
            told = any(finding.code in fault.codes for finding in found)
            row.tried += 1
            if fault.evident(healthy, damaged):
                row.evident += 1
                row.told += told
                if not told:
                    codes = [finding.code for finding in found if "content" not in finding.code]
                    row.missed.append(f"{number} {family} {len(healthy)}: {', '.join(codes)}")
            else:
                row.told_anyway += told
        rows.append(row)
    return rows
