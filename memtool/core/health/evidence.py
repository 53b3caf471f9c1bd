"""What every check of a read looks at, worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.reads.runs import defined_bytes
from memtool.core.span import Span

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from memtool.core.reads.runs import Bytes

BLANKS = (0xFF, 0x00)
"""What empty memory reads as: erased, or cleared. They carry little evidence."""

LISTED_SPANS = 1000
"""A finding that is information lists no more places than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One read with everything that is known about it."""

    image: Image
    chip: Chip | None
    layout: Layout | None
    vin_texts: tuple[str, ...]
    """VINs that the person expects in the read; they help to tell the order of bytes."""
    claimed_new: bool
    """Whether the module is said to have never been configured."""
    data: Bytes
    """All defined bytes, segments one after the other."""
    counts: NDArray[np.int64]
    """How often each of the 256 byte values occurs."""

    @property
    def size(self) -> int:
        """How many bytes are defined."""
        return len(self.data)

    @property
    def filled(self) -> int:
        """How many bytes are neither FF nor 00."""
        return self.size - sum(int(self.counts[blank]) for blank in BLANKS)

    @property
    def distinct(self) -> int:
        """How many different byte values occur besides FF and 00."""
        import numpy as np

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


def gather_evidence(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    vin_texts: tuple[str, ...] = (),
    claimed_new: bool = False,
) -> Evidence:
    """Flatten and count `image` once for all checks."""
    import numpy as np

    data = defined_bytes(image)
    return Evidence(
        image=image,
        chip=chip,
        layout=layout,
        vin_texts=vin_texts,
        claimed_new=claimed_new,
        data=data,
        counts=np.bincount(data, minlength=256),
    )
