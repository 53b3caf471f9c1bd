"""What a job that ended well tells of a layout: what the maker's procedure wrote."""

from memtool.core.learning.learned import (
    Ended,
    Learned,
    MovedChecksums,
    Proposal,
    Warned,
    WarningCode,
    WrittenPlace,
)
from memtool.core.learning.learning import learn

__all__ = [
    "Ended",
    "Learned",
    "MovedChecksums",
    "Proposal",
    "Warned",
    "WarningCode",
    "WrittenPlace",
    "learn",
]
