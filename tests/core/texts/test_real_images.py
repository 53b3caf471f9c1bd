"""Real images that hold no VIN: firmware and the EEPROMs of displays, from Debian packages.

A short form of tests/bench/measure_false_vins.py.
"""

from __future__ import annotations

import random

from memtool.core.image import Image
from memtool.core.texts.vin_search import find_vins
from tests.real_images import cut_pieces, fetch_displays, fetch_firmware


def test_eeproms_of_real_displays_hold_no_vin() -> None:
    displays = fetch_displays()
    assert len(displays) > 100
    for display in displays:
        assert find_vins(Image.from_bytes(display.data)) == (), display.name


def test_real_firmware_holds_no_vin() -> None:
    """At most one in 30 MiB: none in two."""
    pieces = list(cut_pieces(fetch_firmware(), 16384))
    for piece in random.Random("two MiB").sample(pieces, 128):
        assert find_vins(Image.from_bytes(piece.data)) == (), piece.name
