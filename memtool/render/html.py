"""The customer file as one self-contained page: no script, no network, nothing unescaped.

Jinja2's one door. Autoescape is on, an unknown name is an error, and the page's own
Content-Security-Policy allows its one style sheet by hash and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from memtool.core.report import Report
from memtool.render.cautions import BEFORE_THE_JOB, BEFORE_WRITING, DEFERENCE
from memtool.render.words import safe_text


def render_report_page(report: Report) -> str:
    """The page; the same report gives the same text."""
    import jinja2  # late: only the report needs it

    environment = jinja2.Environment(
        loader=jinja2.DictLoader({"report": _template("report.html.j2")}),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=lambda value: safe_text(value) if isinstance(value, str) else value,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["paired"] = _paired
    style = _template("report.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template("report").render(
        report=report,
        order=report.order,
        cautions=(*BEFORE_THE_JOB, *BEFORE_WRITING),
        deference=DEFERENCE,
        style=_Style(style),
        style_hash=_Style(digest),
    )


class _Style(str):
    """Text of our own that goes into the page as it is."""

    __slots__ = ()

    def __html__(self) -> str:
        return str(self)


def _template(name: str) -> str:
    return resources.files("memtool.render").joinpath("templates", name).read_text("utf-8")


def _paired(digits: str) -> str:
    """``01ff`` as ``01 ff``, so that long runs can wrap."""
    return " ".join(digits[place : place + 2] for place in range(0, len(digits), 2))
