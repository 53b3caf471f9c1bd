"""The screens behind the first one, each loaded when it is opened, or in a quiet moment.

The first picture needs none of them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from memtool.lazy import late_module

__all__ = ["helping", "job", "jobs_broken", "load_all", "looking", "new_job", "notice"]
__all__ += ["context", "dialogs", "playing", "questions", "read_options"]
__all__ += ["restore", "taking_over", "working"]

_NAMES = ("helping", "job", "looking", "new_job", "playing", "restore")

if TYPE_CHECKING:
    from memtool.core import read_options
    from memtool.desk import (
        dialogs,
        helping,
        job,
        looking,
        new_job,
        notice,
        playing,
        restore,
        working,
    )
    from memtool.render import questions
    from memtool.workflow import context, jobs_broken, taking_over
else:
    dialogs = late_module("memtool.desk.dialogs")
    helping = late_module("memtool.desk.helping")
    job = late_module("memtool.desk.job")
    looking = late_module("memtool.desk.looking")
    new_job = late_module("memtool.desk.new_job")
    notice = late_module("memtool.desk.notice")
    playing = late_module("memtool.desk.playing")
    read_options = late_module("memtool.core.read_options")
    restore = late_module("memtool.desk.restore")
    working = late_module("memtool.desk.working")
    questions = late_module("memtool.render.questions")
    context = late_module("memtool.workflow.context")
    jobs_broken = late_module("memtool.workflow.jobs_broken")
    taking_over = late_module("memtool.workflow.taking_over")


def load_all() -> None:
    """Load them now."""
    for name in _NAMES:
        importlib.import_module(f"memtool.desk.{name}")
