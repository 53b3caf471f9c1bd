"""What many a run does not need is bound late: the job, its store, layouts, identity.

See `memtool.lazy`, which does the same for heavy libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.lazy import late_module

__all__ = [
    "backups",
    "guards",
    "inspect_view",
    "job",
    "jobs",
    "judging_again",
    "kinds",
    "layout_fit",
    "named_layouts",
    "placing",
    "protection",
    "reader_order",
    "remembering",
    "review_view",
    "vin_search",
]

if TYPE_CHECKING:
    from memtool.core import reader_order
    from memtool.core.job import job, protection
    from memtool.core.job.events import kinds
    from memtool.core.layouts import layout_fit
    from memtool.core.records import placing
    from memtool.core.texts import vin_search
    from memtool.render.text import inspect_view, review_view
    from memtool.store import backups
    from memtool.workflow import guards, jobs, judging_again, named_layouts, remembering
else:
    backups = late_module("memtool.store.backups")
    guards = late_module("memtool.workflow.guards")
    inspect_view = late_module("memtool.render.text.inspect_view")
    job = late_module("memtool.core.job.job")
    jobs = late_module("memtool.workflow.jobs")
    judging_again = late_module("memtool.workflow.judging_again")
    kinds = late_module("memtool.core.job.events.kinds")
    layout_fit = late_module("memtool.core.layouts.layout_fit")
    named_layouts = late_module("memtool.workflow.named_layouts")
    placing = late_module("memtool.core.records.placing")
    protection = late_module("memtool.core.job.protection")
    reader_order = late_module("memtool.core.reader_order")
    remembering = late_module("memtool.workflow.remembering")
    review_view = late_module("memtool.render.text.review_view")
    vin_search = late_module("memtool.core.texts.vin_search")
