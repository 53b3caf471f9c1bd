"""The next step of the job that a command ran in, said where the command ends."""

from __future__ import annotations

from memtool.cli.shared import say_next
from memtool.core.job.job import Job
from memtool.core.job.next_action import find_next
from memtool.render.text.next_view import next_step


def say_next_of(job: Job) -> None:
    """Say what the job has next, as it now stands."""
    say_next(next_step(find_next(job)), in_job=True)
