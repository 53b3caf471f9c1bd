"""Is this a good read? Each fault with its physical cause and what to do at the bench."""

from memtool.core.health.after_writing import diagnose_write
from memtool.core.health.all_checks import Health, find_health, judge_health

__all__ = ["Health", "diagnose_write", "find_health", "judge_health"]
