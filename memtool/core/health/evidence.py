"""What every check of a read looks at, worked out once."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.runs import count_image, defined_bytes
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.layouts.layout import Layout
    from memtool.core.runs import Bytes

BLANKS = (0xFF, 0x00)
"""What empty memory reads as: erased, or cleared. They carry little evidence."""

_LENGTHS_OF_RECORDS = range(2, 65)
"""Bytes of the records of a table."""
_SHARE_OF_TABLE = 0.6
"""Of 30 alarms in 36,000 pieces of real firmware of 256 to 1,024 bytes 20 were tables with more
equal bytes; see docs/health.md."""
LISTED_SPANS = 1000
"""A finding that is information lists no more places than this."""


class Evidence(NamedTuple):
    """One read with everything that is known about it."""

    image: Image
    chip: Chip | None
    layout: Layout | None
    hidden: tuple[Span, ...]
    """Addresses whose content must not be shown, besides what the layout protects."""
    vin_texts: tuple[str, ...]
    """VINs that the person expects in the read; they help to tell the order of bytes."""
    claimed_new: bool
    """Whether the module is said to have never been configured."""
    in_records: bool
    """Whether the bytes came in records of a hex file, each with a checksum that holds."""
    data: Bytes
    """All defined bytes, segments one after the other."""
    counts: NDArray[np.int64]
    """How often each of the 256 byte values occurs."""

    @property
    def size(self) -> int:
        """How many bytes are defined."""
        return len(self.data)

    @property
    def size_is_known(self) -> bool:
        """Whether no byte can be missing: the chip's size, the layout's, or whole records."""
        if self.chip is not None:
            return self.size == self.chip.size
        if self.layout is not None:
            return self.size == self.layout.size
        return self.in_records

    @property
    def filled(self) -> int:
        """How many bytes are neither FF nor 00."""
        return self.size - sum(int(self.counts[blank]) for blank in BLANKS)

    @property
    def distinct(self) -> int:
        """How many different byte values occur besides FF and 00."""
        return int(np.count_nonzero(self.counts)) - sum(
            bool(self.counts[blank]) for blank in BLANKS
        )

    def finding(
        self, code: str, severity: Severity, text: str, spans: tuple[Span, ...] | None = None
    ) -> Finding:
        """A finding, about the whole image unless `spans` says otherwise.

        What speaks against the whole read names all of its addresses; what only informs
        about the whole names none.
        """
        if spans is None:
            spans = () if severity is Severity.INFO else self.image.spans
        return Finding(code=code, severity=severity, text=text, spans=spans)


def is_table(evidence: Evidence) -> bool:
    """Whether the filled bytes are for the most part those of the record before.

    Such a table has bits and bytes that never change by nature, whatever its columns count.
    """
    data = evidence.data
    filled = ~np.isin(data, BLANKS)
    for length in _LENGTHS_OF_RECORDS:
        behind = filled[length:]
        # Nothing lies behind a record as long as the image: nothing is equal, and nothing is more.
        equal = (data[length:] == data[:-length]) & behind
        if int(equal.sum()) > _SHARE_OF_TABLE * int(behind.sum()):
            return True
    return False


def gather_evidence(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    hidden: tuple[Span, ...] = (),
    vin_texts: tuple[str, ...] = (),
    claimed_new: bool = False,
    in_records: bool = False,
) -> Evidence:
    """Flatten and count `image` once for all checks."""
    return Evidence(
        image=image,
        chip=chip,
        layout=layout,
        hidden=hidden,
        vin_texts=vin_texts,
        claimed_new=claimed_new,
        in_records=in_records,
        data=defined_bytes(image),
        counts=count_image(image),
    )
