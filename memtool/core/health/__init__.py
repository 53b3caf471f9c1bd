"""Is this a good read? Each fault with its physical cause and what to do at the bench."""

from memtool.core.health.after_writing import diagnose_write
from memtool.core.health.all_checks import HEALTH_CHECKS, find_health

__all__ = ["HEALTH_CHECKS", "diagnose_write", "find_health"]
