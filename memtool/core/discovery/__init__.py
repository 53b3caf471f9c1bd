"""Which checksums does an image of unknown layout carry? All blocks, by sorting, with evidence.

Question: given images of one layout, n bytes each, find every block ``[i, j)`` whose
checksum is stored in them, for every algorithm and byte order. Trying all blocks costs n²
for each algorithm; a sort finds them in n·log n.

1. Separate start from end. A CRC brought back to the image's first byte is a start's side
   ⊕ an end's side (`register_algebra`); sums are differences of prefix sums
   (`sum_sides`). Where the stored number lies at a place that depends on the end alone,
   or is fixed, the equation says: start's side = end's side.
2. Join, never list pairs. Equal sides are classes (`classes`). Each start that is the
   nearest one to some end gives one row, the shortest block; the rest of its class are
   equivalents. So erased areas and zero registers make large classes, not many rows.
3. Fixed places are tried one by one. Where two images differ there, the difference of
   their equations has no constants in it and holds for few ends (`field_ends`,
   `sum_drifts`). Where images differ nearly everywhere, such differences are joined first
   for all models of a polynomial at once, wherever the number lies (`crc_drifts`).
4. Count the evidence (`evidence`). Each image whose content does not follow from the
   others' adds `width` bits. A row's `expected_by_chance` is the number of blocks with as
   many bits or more that chance makes in the whole search: Σ N_e · 2^(-width·e) over all
   that was tried with that much evidence. `start_expected_by_chance` is about the start.
5. Confirm, fold, order (`confirming`).
6. One polynomial or sum is one piece of work, for all its models, orders and placements and for
   unknown constants, so that they share its sides; pieces run side by side (`work`).
"""

from memtool.core.discovery.pieces import Wish
from memtool.core.discovery.results import (
    CONVINCING,
    HOPELESS,
    DiscoveredBlock,
    Discovery,
    Equivalent,
    Placement,
    SearchedPlacement,
    Standing,
    UnknownConstants,
)
from memtool.core.discovery.search import (
    MOST_BLOCKS,
    MOST_GUESSES,
    discover_checksums,
    searched_algorithms,
)

__all__ = [
    "CONVINCING",
    "HOPELESS",
    "MOST_BLOCKS",
    "MOST_GUESSES",
    "DiscoveredBlock",
    "Discovery",
    "Equivalent",
    "Placement",
    "SearchedPlacement",
    "Standing",
    "UnknownConstants",
    "Wish",
    "discover_checksums",
    "searched_algorithms",
]
