"""All sums that are known, one entry each.

``SUM-n`` adds bytes in n bits; ``WORDSUM-n-BE`` and ``-LE`` add 16-bit words of that byte
order in n bits. Common practice, no one source. The others: see `paired_sums`.

Totals: zero as in VESA E-EDID and IPMI FRU; all ones, common practice, no source; 0xBABA of
network cards (``NVM_SUM`` in the Linux driver e1000e).
"""

from __future__ import annotations

from memtool.core.checksums.paired_sums import AdlerSum, PairedSum
from memtool.core.checksums.sums import AddedSum, Sum, XoredSum

_BYTES = (0, 0xFF)
_WORDS = (0, 0xFFFF, 0xBABA)
_LONGS = (0, 0xFFFF_FFFF)

SUMS: tuple[Sum, ...] = (
    AddedSum(name="SUM-8", width=8, totals=_BYTES),
    AddedSum(name="SUM-16", width=16, totals=(0, 0xFFFF)),
    AddedSum(name="SUM-32", width=32, totals=_LONGS),
    AddedSum(name="WORDSUM-16-BE", width=16, word_order="big", totals=_WORDS),
    AddedSum(name="WORDSUM-16-LE", width=16, word_order="little", totals=_WORDS),
    AddedSum(name="WORDSUM-32-BE", width=32, word_order="big", totals=_LONGS),
    AddedSum(name="WORDSUM-32-LE", width=32, word_order="little", totals=_LONGS),
    XoredSum(name="XOR-8", width=8, totals=(0,)),
    XoredSum(name="XOR-16-BE", width=16, word_order="big", totals=(0,)),
    XoredSum(name="XOR-16-LE", width=16, word_order="little", totals=(0,)),
    PairedSum(name="FLETCHER-16", width=16, modulus=255),
    PairedSum(name="FLETCHER-32", width=32, word_order="little", modulus=65535),
    AdlerSum(name="ADLER-32", width=32, modulus=65521, start=1),
)
"""In the order in which they are listed."""
