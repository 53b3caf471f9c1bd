"""`start` as one page: good reads? one family? where the VINs are, what differs, what next."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.backup import Role
from memtool.core.finding import Severity, Verdict
from memtool.core.reporting.memory_map import compute_entropy, compute_map, plan_map
from memtool.core.span import count_addresses, format_span
from memtool.core.stages.answers import tell_by_region
from memtool.core.start import ModuleView, StartView
from memtool.render import picture
from memtool.render.blocks import (
    Block,
    Cell,
    Document,
    Facts,
    Figure,
    Figures,
    Heading,
    Items,
    Key,
    Look,
    Paragraph,
    Row,
    Table,
    code,
)
from memtool.render.cautions import BEFORE_THE_JOB, DEFERENCE
from memtool.render.html import Paper, render_page
from memtool.render.start_view import module_findings, next_step, speaks_against
from memtool.render.words import count_of


def render_start_page(view: StartView, *, paper: Paper = Paper.A4, as_of: str) -> str:
    """The page, without script.

    Args:
        view: What is known.
        paper: For a print.
        as_of: Time of the view, ISO 8601 with zone.
    """
    return render_page(describe_start(view, as_of=as_of), paper=paper)


def describe_start(view: StartView, *, as_of: str) -> Document:
    """The view as blocks."""
    return Document(
        kind="For the shop: identities in full",
        title=f"Job {view.folder}",
        subject=f"Job {view.folder}",
        as_of=as_of,
        foot=f"{'Opened' if view.is_new else 'Continued'}, as of {as_of}",
        blocks=(*_answers(view), *_vins(view), *_pictures(view), *_details(view)),
    )


def _answers(view: StartView) -> Iterator[Block]:
    against = speaks_against(view)
    yield Paragraph(
        "Something speaks against going on like this: see below."
        if against
        else "Nothing speaks against going on.",
        Look.RESULT,
    )
    yield Facts(
        [
            ("good reads?", _reads_answer(view)),
            ("one family?", _family_answer(view)),
            ("where VINs are", Cell(_vin_answer(view))),
            ("what differs", Cell(_difference_words(view))),
            ("next", Cell(next_step(view), Look.STRONG)),
        ]
    )
    order = view.order
    yield Heading("Order")
    yield Facts(
        [
            ("work order", Cell(order.work_order or "not on record")),
            ("vehicle", Cell(order.vehicle_vin or "not on record")),
            ("module", Cell(order.module_kind.value if order.module_kind else "not on record")),
            ("authority", Cell(order.authority or "NOT ON RECORD: blank will refuse")),
        ]
    )


def _reads_answer(view: StartView) -> Cell:
    if not view.modules:
        return Cell("NO MODULE WAS READ", Look.STRONG)
    words = [f"{module.kept.role}: {_agreement_words(module)}" for module in view.modules]
    bad = any(module.kept.agree is False or _weighty(module) for module in view.modules)
    return Cell("; ".join(words), Look.STRONG if bad else Look.PLAIN)


def _agreement_words(module: ModuleView) -> str:
    kept = module.kept
    if kept.agree:
        words = f"{kept.reads} reads agree"
    elif kept.agree is None:
        words = f"a single read ({kept.single_read_reason or 'no reason on record'})"
    else:
        words = "READS DIFFER"
    weighty = len(_weighty(module))
    return f"{words}, {count_of(weighty, 'finding')} of weight" if weighty else f"{words}, healthy"


def _weighty(module: ModuleView) -> list[str]:
    return [
        finding.text for finding in module_findings(module) if finding.severity is not Severity.INFO
    ]


def _family_answer(view: StartView) -> Cell:
    if not view.family:
        return Cell("not known before the donor is read", Look.STRONG)
    failed = sum(check.result is Verdict.FAIL for check in view.family)
    left = sum(check.result is Verdict.NOT_CHECKED for check in view.family)
    if failed:
        return Cell(f"NO: {count_of(failed, 'check')} failed", Look.STRONG)
    if left:
        return Cell(f"nothing speaks against it; {count_of(left, 'point')} left to a person")
    return Cell("yes: every check passed")


def _vin_answer(view: StartView) -> str:
    parts = []
    for module in view.modules:
        texts = list(dict.fromkeys(vin.text for vin in module.vins))
        places = count_of(len(module.vins), "place")
        parts.append(f"{module.kept.role}: {', '.join(texts) or 'none found'} ({places})")
    return "; ".join(parts) or "not known yet"


def _difference_words(view: StartView) -> str:
    roles = {module.kept.role for module in view.modules}
    if not {Role.ORIGINAL, Role.DONOR} <= roles:
        return "not known before original and donor are read"
    if not view.differing:
        return "nothing: original and donor hold the same bytes"
    count = count_of(count_addresses(view.differing), "byte")
    return f"{count} in {count_of(len(view.differing), 'run')}: {_by_region(view)}"


def _by_region(view: StartView) -> str:
    return tell_by_region(view.differing, view.layout)


def _vins(view: StartView) -> Iterator[Block]:
    yield Heading("Where the VINs are")
    rows = []
    for module in view.modules:
        for vin in module.vins:
            region = view.layout.region_at(vin.span.start) if view.layout else None
            rows.append(
                Row(
                    (
                        Cell(module.kept.role.value),
                        code(format_span(vin.span)),
                        code(vin.text),
                        Cell(vin.stored_as),
                        Cell(vin.check_digit.value.replace("-", " ")),
                        Cell(region.name if region else ""),
                    )
                )
            )
    if rows:
        head = ("module", "addresses", "VIN", "stored as", "check digit", "region")
        yield Table(head=head, rows=rows, widths=(0, 0, 3, 2, 2, 2))
    else:
        yield Paragraph("None was found.")


def _pictures(view: StartView) -> Iterator[Block]:
    yield Heading("The memories in pictures")
    if not view.modules:
        yield Paragraph("No memory was read.")
        return
    spans = [span for module in view.modules for span in module.image.spans]
    plan = plan_map(spans, columns=32, most_rows=16)
    maps, strips = [], []
    key: dict[str, str] = {}
    marks = "differs between original and donor"
    for module in view.modules:
        role = module.kept.role.value
        drawn = compute_map(
            module.image,
            plan,
            layout=view.layout,
            vins=[vin.span for vin in module.vins],
            marked=view.differing if module.kept.role is not Role.REFERENCE else (),
        )
        key |= dict(picture.map_key(drawn, marks=marks))
        title = f"Memory map of the {role}"
        svg = picture.memory_map(drawn, title=title, name=f"map-{role}", marks=marks)
        maps.append(Figure(svg, f"{role}, {module.kept.chip}"))
        strip = picture.entropy_strip(
            compute_entropy(module.image, cells=128),
            title=f"Information in the {role}",
            name=f"information-{role}",
        )
        strips.append(Figure(strip, f"{role}: information a byte, none to eight bits"))
    yield Figures(maps)
    yield Key(tuple(key.items()))
    yield Figures(strips)


def _details(view: StartView) -> Iterator[Block]:
    yield Heading("The reads")
    for module in view.modules:
        kept = module.kept
        yield Heading(f"{kept.role.value.capitalize()}, {kept.chip}", 2)
        yield Facts(
            [
                ("reads", Cell(f"{', '.join(kept.names)}: {_agreement_words(module)}")),
                ("size", Cell(count_of(kept.size, "byte"))),
                ("image", code(kept.sha256)),
                ("backup", code(kept.backup)),
            ]
        )
        if _weighty(module):
            yield Items(_weighty(module))
    if view.original_unreadable:
        yield Paragraph(f"The original cannot be read: {view.original_unreadable}")
    yield Heading("One family?")
    yield Paragraph(view.layout_reason)
    if view.family:
        yield Table(
            head=("result", "what was found"),
            rows=[
                Row(
                    (
                        Cell(
                            check.result.value.replace("-", " "),
                            Look.PLAIN if check.result is Verdict.PASS else Look.STRONG,
                        ),
                        Cell(
                            f"{check.text} Not decided here: {check.reason}."
                            if check.reason
                            else check.text
                        ),
                    )
                )
                for check in view.family
            ],
            widths=(0, 1),
        )
    yield Heading("Cautions")
    yield Items((*BEFORE_THE_JOB, DEFERENCE))
