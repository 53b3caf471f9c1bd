"""What a person wishes to take out of a donor, and the requests that come of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from memtool.core.job.edit import KeptSpan
from memtool.core.names import file_stem
from memtool.core.span import Span
from memtool.core.texts.vin import fold_typed, parse_vin
from memtool.errors import UsageError
from memtool.formats.codec import ImageFormat
from memtool.workflow.blank import SUFFIXES, BlankRequest
from memtool.workflow.context import Context
from memtool.workflow.donor_memories import image_names, layouts_of, memory_of
from memtool.workflow.loading import LoadedRead
from memtool.workflow.order_facts import require_telling


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankWish:
    """What is to go, what stays, and where the file is written; as typed."""

    layout: Path | None = None
    vin: tuple[str, ...] = ()
    configuration: bool = False
    more: tuple[tuple[str | None, Span], ...] = ()
    keep: tuple[tuple[str | None, Span], ...] = ()
    reason: tuple[str, ...] = ()
    """Why each kept span stays; one for all of them, or one for each."""
    out: Path | None = None
    to: str | None = None
    dry_run: bool = False


def make_requests(context: Context, image: str, wish: BlankWish) -> list[BlankRequest]:
    """One request for each memory that is meant: `donor` means all of the donor's.

    Raises:
        UsageError: what was wished does not go together, or names no memory of the donor.
        MemtoolError: an image or a layout cannot be loaded.
    """
    if wish.vin and wish.layout is not None:
        raise UsageError(
            "--vin is given alone, without --layout",
            code="usage",
            next_step="give either the layout or the VIN",
        )
    vins = tuple(dict.fromkeys(map(_vin, wish.vin)))
    names = image_names(context.opened, image, named=context.chip_name)
    loaded = [(name, context.load(name)) for name in names]
    memories = [memory_of(context.opened, name, read, context.chip_name) for name, read in loaded]
    layouts = (
        [None] * len(loaded)
        if vins
        else layouts_of(wish.layout, [read for _, read in loaded], memories, context.opened)
    )
    known = [label for memory in memories for label in (memory,) if label is not None]
    keep = _kept_spans(wish.keep, wish.reason)
    _require_known([name for name, _ in (*wish.more, *keep)], known)
    if not any(layouts) and (wish.configuration or wish.more):
        raise UsageError(
            "--span and --configuration need a layout that shows what is protected",
            code="usage",
            next_step="give --layout FILE",
        )
    return [
        BlankRequest(
            loaded=read,
            opened=context.opened,
            memory=memory,
            layout=layout,
            vins=vins,
            configuration=wish.configuration,
            more=tuple(span for name, span in wish.more if name in (None, memory)),
            keep=tuple(span for name, span in keep if name in (None, memory)),
            out=_out(context, wish, memory, read, several=len(loaded) > 1),
            format=ImageFormat(wish.to) if wish.to else None,
        )
        for (_, read), memory, layout in zip(loaded, memories, layouts, strict=True)
    ]


def _require_known(names: list[str | None], memories: list[str]) -> None:
    """Of several memories each span names its own; a name is one of theirs."""
    for name in names:
        if name is None and len(memories) > 1:
            raise UsageError(
                f"a span belongs to one memory, and there are {len(memories)}: "
                f"{', '.join(memories)}",
                code="which-memory",
                next_step=f"name it, as in --span {memories[0]}=0x0120+17",
            )
        if name is not None and name not in memories:
            raise UsageError(
                f"'{name}' is not one of the memories to be blanked",
                code="no-such-memory",
                next_step=f"name one of {', '.join(memories)}" if memories else "leave it out",
            )


def _out(
    context: Context, wish: BlankWish, memory: str | None, read: LoadedRead, *, several: bool
) -> Path | None:
    """The file named with --out; of several memories a file for each in the folder named."""
    if wish.out is None or not several or context.opened is None or memory is None:
        return wish.out
    suffix = SUFFIXES[ImageFormat(wish.to) if wish.to else read.format]
    return wish.out / f"{file_stem('to-write', context.opened.job.label_of(memory))}{suffix}"


def _vin(text: str) -> str:
    try:
        return parse_vin(fold_typed(text)).text
    except ValueError as error:
        raise UsageError(
            f"--vin: {error}", code="vin", next_step="see 'benchimage inspect donor'"
        ) from error


def _kept_spans(
    spans: tuple[tuple[str | None, Span], ...], reasons: tuple[str, ...]
) -> list[tuple[str | None, KeptSpan]]:
    if spans and len(reasons) == 1:
        reasons = reasons * len(spans)
    for reason in reasons:
        require_telling(reason, "--reason")
    if len(spans) != len(reasons):
        raise UsageError(
            f"{len(spans)} --keep and {len(reasons)} --reason do not match",
            code="usage",
            next_step="give each kept span a reason, or one reason for all",
        )
    return [
        (name, KeptSpan(span=span, reason=reason))
        for (name, span), reason in zip(spans, reasons, strict=True)
    ]
