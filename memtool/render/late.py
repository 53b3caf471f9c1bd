"""What most commands do not need is bound late: pages, and the words of stores and
values.

See `memtool.lazy`, which does the same for heavy libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.lazy import late_module

__all__ = ["byte_page", "image_pages", "stores", "values"]

if TYPE_CHECKING:
    from memtool.render import stores, values
    from memtool.render.page import byte_page, image_pages
else:
    byte_page = late_module("memtool.render.page.byte_page")
    image_pages = late_module("memtool.render.page.image_pages")
    stores = late_module("memtool.render.stores")
    values = late_module("memtool.render.values")
