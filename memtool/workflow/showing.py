"""What of an image may be shown: never the bytes that any layout of the job protects."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.chip import find_chip, is_same_chip
from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.role import Role
from memtool.core.span import Span, format_span_with_length
from memtool.errors import RefusalError
from memtool.workflow.context import Context, clock
from memtool.workflow.late import (
    guards,
    job,
    jobs,
    named_layouts,
    placing,
    protection,
    review_view,
)
from memtool.workflow.layout_choice import LayoutChoice, choose_given, choose_layout
from memtool.workflow.loading import LoadedRead

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.render.text.review_view import NamedImage
    from memtool.store.layouts import LoadedLayout
    from memtool.workflow.jobs import OpenJob


class Shown(NamedTuple):
    """How images are looked at."""

    context: Context
    """With the job as it is after the layout was remembered."""
    choice: LayoutChoice
    layout: Layout | None
    """The layout that judges."""
    shown: Layout | None
    """The layout to show by, in which everything is protected that the job protects."""


def choose_shown(
    context: Context,
    names: Sequence[str],
    reads: Sequence[LoadedRead],
    *,
    named: Path | None,
    from_library: bool = False,
) -> Shown:
    """The layout that images are looked at with, and what must not be shown of them.

    In a job a layout that is named here counts for good, as one named to `blank` does.

    Args:
        context: Of the run.
        names: The images, as they were named.
        reads: The same, loaded.
        named: ``--layout``.
        from_library: Where none is named, and the job has none, ask the user's library.

    Raises:
        UsageError: there is no such layout file.
        LayoutError: it is no valid layout.
        StoreError: a copy of a layout of the job is lost or was changed.
    """
    opened = context.opened
    memory = None if opened is None else find_memory_of(opened, names, reads, context.chip_name)
    choice = choose_layout(
        reads[0].image if from_library else None,
        named=named,
        opened=opened,
        chip=context.chip_name,
        memory=memory,
    )
    return _show(context, memory, reads, choice, is_named=named is not None)


def _show(
    context: Context,
    memory: str | None,
    reads: Sequence[LoadedRead],
    choice: LayoutChoice,
    *,
    is_named: bool,
) -> Shown:
    """The layout laid over the images; one that was named is remembered before it is used."""
    opened = context.opened
    images = [read.image for read in reads]
    layout = None
    if choice.loaded is not None:
        layout = placing.place_in_all(choice.loaded.layout, images)
    if opened is None:
        return Shown(context=context, choice=choice, layout=layout, shown=layout)
    if is_named and choice.loaded is not None:
        opened = named_layouts.remember_layout(opened, choice.loaded, memory, clock())
        context = context._replace(opened=opened)
    guarded = guards.find_guarded_in(opened, memory, images, choice.loaded)
    return Shown(
        context=context,
        choice=choice,
        layout=layout,
        shown=protection.hide_guarded(layout, guarded),
    )


def load_for_layout(context: Context, names: Sequence[str], chip: str) -> list[LoadedRead]:
    """Images that a layout is to be laid over: of the memory that it names, and of no other.

    Where a job has several memories, a name without one (``donor``) means the layout's.

    Args:
        context: Of the run.
        names: The images, as they were named.
        chip: The layout's.

    Raises:
        UsageError: the job has no such image, or there is no such file.
        RefusalError: an image is of another memory of the job.
    """
    opened = context.opened
    if opened is None or len(opened.job.memories) < 2:
        return context.load_all(names)
    meant = [memory for memory, each in opened.job.chips.items() if is_same_chip(each, chip)]
    reads = []
    for name in names:
        parts = jobs.split_image_name(opened, name)
        if parts is not None and parts[1] is None and len(meant) == 1:
            name = f"{name}/{meant[0]}"
        read = context.load(name)
        memory = _memory_of(opened, name, read, None)
        if memory is not None and memory not in meant:
            raise RefusalError(
                f"this image is of the memory {memory} ({opened.job.chip_of(memory)}), and the"
                f" layout is for a {chip}",
                code="image-of-another-memory",
                next_step="name an image of the layout's memory"
                + (f", as in donor/{meant[0]}" if meant else ""),
                file=name,
            )
        reads.append(read)
    return reads


def load_shown(context: Context, names: Sequence[str], chip: str) -> list[NamedImage]:
    """The images that a layout is shown with: those that were named; else the job's modules'.

    Args:
        context: Of the run.
        names: The images, as they were named; in a job none means those of the layout's memory.
        chip: The layout's.

    Raises:
        UsageError: the job has no such image, or there is no such file.
        RefusalError: an image is of another memory of the job.
        StoreError: the store has lost or changed a read.
    """
    reads = load_for_layout(context, names, chip)
    found = [
        review_view.NamedImage(name=name, image=read.image)
        for name, read in zip(names, reads, strict=True)
    ]
    if not names and context.opened is not None:
        several = len(context.opened.job.memories) > 1
        which = context.chip_name or (chip if several else None)
        for role in Role:
            backed_up = jobs.load_role(context.opened, context.store, role, which)
            if backed_up is not None:
                found.append(review_view.NamedImage(name=role.value, image=backed_up[1].image))
    return found


def lay_over(
    context: Context, names: Sequence[str], reads: Sequence[LoadedRead], loaded: LoadedLayout
) -> Shown:
    """A layout file laid over images. In a job it counts for good, as one named to `blank` does.

    Without images the file alone is looked at, and the job does not remember it.

    Raises:
        StoreError: a copy of a layout of the job is lost or was changed.
    """
    choice = choose_given(loaded)
    if not reads:
        return Shown(context=context, choice=choice, layout=loaded.layout, shown=loaded.layout)
    opened = context.opened
    memory = None if opened is None else find_memory_of(opened, names, reads, context.chip_name)
    return _show(context, memory, reads, choice, is_named=True)


def require_not_protected(context: Context, name: str, read: LoadedRead, span: Span) -> None:
    """Refuse a value over bytes that the job protects: over few bytes it tells what they are.

    Raises:
        RefusalError: the span holds such a byte.
        StoreError: a copy of a layout of the job is lost or was changed.
    """
    opened = context.opened
    if opened is None:
        return
    memory = find_memory_of(opened, [name], [read], context.chip_name)
    hidden = _protected_in(opened, memory, [read.image])
    touched = next((each for each in hidden if each.overlaps(span)), None)
    if touched is not None:
        raise RefusalError(
            f"a layout of this job protects {format_span_with_length(touched)}, and a checksum"
            " over these bytes could tell what they are",
            code="protected-bytes",
            next_step="give a span without them, or check what the layout names with"
            " 'benchimage checksum check'",
            file=read.path,
            address=max(touched.start, span.start),
        )


def find_hidden(opened: OpenJob | None, chip: str, images: Sequence[Image]) -> tuple[Span, ...]:
    """What the job protects in its memory of that chip, or in any where it has no such.

    Raises:
        StoreError: a copy of a layout of the job is lost or was changed.
    """
    if opened is None:
        return ()
    memory = opened.job.find_memory(chip)
    return _protected_in(opened, memory if memory in opened.job.memories else None, images)


def _protected_in(opened: OpenJob, memory: str | None, images: Sequence[Image]) -> tuple[Span, ...]:
    guarded = guards.find_guarded_in(opened, memory, images)
    return protection.spans_of_kind(guarded, RegionKind.PROTECTED)


def find_memory_of(
    opened: OpenJob, names: Sequence[str], reads: Sequence[LoadedRead], chip: str | None
) -> str | None:
    """The one memory of the job that all these images are of; None where that is not certain.

    A file is told by its content, the chip that was named, or its size.
    """
    found = {_memory_of(opened, name, read, chip) for name, read in zip(names, reads, strict=True)}
    return found.pop() if len(found) == 1 else None


def tell_ban(loaded: LoadedLayout | None) -> str | None:
    """What follows in a job from a layout of a module that is never blanked; None: nothing."""
    if loaded is None or loaded.layout.module not in job.NEVER_BLANKED:
        return None
    kind = loaded.layout.module
    return (
        f"this layout says that it is an {kind} module: from now on nothing is blanked in this"
        " job. If the file was a slip, open a new job with 'benchimage start --from OLD --reason"
        " TEXT'"
    )


def _memory_of(opened: OpenJob, name: str, read: LoadedRead, chip: str | None) -> str | None:
    job = opened.job
    parts = jobs.split_image_name(opened, name)
    if parts is not None and parts[1] is not None:
        return parts[1]
    if len(job.memories) == 1:
        return job.memories[0]
    if chip is not None:
        memory = job.find_memory(chip)
        return memory if memory in job.memories else None
    digest = read.image.sha256()
    known = {
        backup.memory for backup in job.backups if digest in (backup.sha256, *backup.read_digests)
    }
    if len(known) != 1:
        sizes = {memory: find_chip(each) for memory, each in job.chips.items()}
        known = {
            memory
            for memory, each in sizes.items()
            if each is not None and each.size == read.image.size
        }
    return known.pop() if len(known) == 1 else None
