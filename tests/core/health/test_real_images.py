"""Real firmware and the EEPROMs of real displays, fetched from Debian packages, raise no alarm.

A short form; `tests/bench/measure_health.py --real` is the whole one.
"""

from __future__ import annotations

import random

from memtool.core.health.agreement import compare_reads
from memtool.core.image import Image
from tests.core.health.faults_between_reads import PAIR_FAULTS
from tests.core.health.measuring import measure_planted_writes, measure_real_alarms
from tests.core.health.planted_writes import SIZES
from tests.real_images import cut_pieces, fetch, fetch_displays

SMALL = ("seabios", "qemu-system-data", "ipxe-qemu")


def test_no_piece_of_real_machine_code_looks_damaged() -> None:
    files = fetch(SMALL)
    for size in (2048, 4096, 16384):
        pieces = cut_pieces(files, size)
        alarmed, said = measure_real_alarms(random.Random(size).sample(pieces, 150))
        assert not alarmed, said


def test_the_device_tree_whose_names_look_exchanged_is_left_in_peace() -> None:
    """Names in small letters stay as they are when bits 5 and 6 change places."""
    (tree,) = (file for file in fetch(SMALL) if file.name.endswith("canyonlands.dtb"))
    assert measure_real_alarms(cut_pieces([tree], 2048)) == (0, [])


def test_no_display_memory_looks_damaged() -> None:
    assert measure_real_alarms(fetch_displays()) == (0, [])


def test_a_weak_line_and_a_slipped_clock_are_named_from_256_bytes_on() -> None:
    pieces = random.Random(1).sample(cut_pieces(fetch(SMALL), 256), 100)
    for fault in PAIR_FAULTS:
        if fault.codes[0] not in ("reads-differ-data-line", "reads-differ-shift"):
            continue
        named = tried = 0
        for number, piece in enumerate(pieces):
            second = fault.act(random.Random(f"{fault.name}/{number}"), piece.data)
            if not fault.evident(piece.data, second):
                continue
            agreement = compare_reads([Image.from_bytes(piece.data), Image.from_bytes(second)])
            tried += 1
            named += agreement.findings[0].code in fault.codes
        assert tried >= 50
        assert named >= 0.95 * tried, fault.name


def test_each_cause_of_a_wrong_write_is_named_and_no_other() -> None:
    counted = measure_planted_writes(fetch(SMALL), SIZES, seed=2, rounds=2)
    assert len(counted) == 13
    for cause, (tried, named, wrong) in counted.items():
        assert tried >= 20
        assert (named, wrong) == (tried, 0), cause
