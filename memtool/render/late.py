"""What most commands do not need is bound late: pages, the words of stores and values, and what
only several reads need.

See `memtool.lazy`, which does the same for heavy libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.lazy import late_module

__all__ = [
    "agreements",
    "byte_page",
    "disagreements",
    "image_pages",
    "start_page",
    "stores",
    "values",
]

if TYPE_CHECKING:
    from memtool.core.health import agreement as agreements
    from memtool.core.health import disagreement as disagreements
    from memtool.render import stores, values
    from memtool.render.page import byte_page, image_pages, start_page
else:
    agreements = late_module("memtool.core.health.agreement")
    byte_page = late_module("memtool.render.page.byte_page")
    disagreements = late_module("memtool.core.health.disagreement")
    image_pages = late_module("memtool.render.page.image_pages")
    start_page = late_module("memtool.render.page.start_page")
    stores = late_module("memtool.render.stores")
    values = late_module("memtool.render.values")
