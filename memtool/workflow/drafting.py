"""Draft a layout: which images are which modules, what is known of them, and the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.chip import chips_of_size, find_chip
from memtool.core.drafting.draft import Draft, ModuleReads
from memtool.core.drafting.steps import draft_layout
from memtool.core.health.agreement import compare_reads
from memtool.core.image import Image
from memtool.core.layouts.layout import ModuleKind
from memtool.core.role import Role
from memtool.core.texts.known_identity import find_identity, find_vins
from memtool.errors import UsageError
from memtool.formats.layout_toml.drafts import DraftHeader, write_draft_text
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.workflow.context import Context
from memtool.workflow.jobs import (
    OpenJob,
    load_backup_reads,
    only_memory,
    require_role,
    split_image_name,
)
from memtool.workflow.loading import LoadedRead
from memtool.workflow.writing import NewFile, require_free

_ONE_MODULE = 24
"""Bytes in which two reads of one module may differ: counters and their checksums."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftRequest:
    """What the person gave."""

    images: tuple[str, ...]
    """Paths, and inside a job the names of its images."""
    references: tuple[str, ...]
    """The same, of never-configured modules."""
    vins: Mapping[str, str]
    """VIN by image as it was named."""
    out: Path
    name: str | None
    module: ModuleKind | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftResult:
    """A draft and the file that holds it."""

    draft: Draft
    modules: tuple[ModuleReads, ...]
    header: DraftHeader
    out: Path
    sha256: str
    reads: tuple[LoadedRead, ...]


def draft_to_file(
    request: DraftRequest,
    context: Context,
    *,
    now: datetime,
    workers: int = 1,
    progress: Callable[[int, int, str], None] | None = None,
) -> DraftResult:
    """Draft from all images, write the layout and note the run; nothing is written if it exists.

    Raises:
        UsageError: an image is missing, all are references, or the chip is not known.
        RefusalError: `out` exists.
    """
    require_free(request.out, context.opened)
    modules, reads = _load(request, context)
    if not any(module.role is not Role.REFERENCE for module in modules):
        raise UsageError(
            "a reference alone shows no identity",
            code="draft-images",
            next_step="give a module that was configured too",
        )
    header = _header(request, context, modules, now)
    try:
        draft = draft_layout(modules, workers=workers, progress=progress)
    except ValueError as error:
        raise UsageError(
            f"no draft can be made: {error}",
            code="draft-images",
            next_step="give images of one module family, read in one way",
        ) from error
    text = write_draft_text(draft, header)
    parse_layout(text)  # A draft that is no valid layout is a mistake of ours; better now.
    new = NewFile(path=request.out, data=text.encode())
    facts = {"out": str(request.out), "sha256": new.sha256, "chip": header.chip}
    context.record("layout draft", facts, reads=reads, new=[new])
    return DraftResult(
        draft=draft,
        modules=modules,
        header=header,
        out=request.out,
        sha256=new.sha256,
        reads=tuple(reads),
    )


def _load(
    request: DraftRequest, context: Context
) -> tuple[tuple[ModuleReads, ...], list[LoadedRead]]:
    """Modules in the order given, several reads of one joined."""
    modules: list[ModuleReads] = []
    reads: list[LoadedRead] = []
    known = dict(request.vins)
    for name in (*request.images, *request.references):
        vin = known.pop(name, None)
        parts = None if context.opened is None else split_image_name(context.opened, name)
        if context.opened is not None and parts is not None and parts[0] in tuple(Role):
            memory = parts[1] or memory_of(request, context)
            module, loaded = _from_job(name, Role(parts[0]), memory, vin, context.opened, context)
            modules.append(module)
            reads += loaded
            continue
        read = context.load(name)
        reads.append(read)
        role = Role.REFERENCE if name in request.references else None
        _add_read(modules, ModuleReads(name=name, role=role, vin=vin, reads=(read.image,)))
    if known:
        raise UsageError(
            f"--vin names '{next(iter(known))}', which is none of the images",
            code="draft-vin",
            next_step="write --vin IMAGE=VIN with the image as it is given",
        )
    return tuple(modules), reads


def memory_of(request: DraftRequest, context: Context) -> str | None:
    """The job's memory that is drafted: the one that an image names, or the only one.

    Raises:
        UsageError: two are named, or none of several is.
    """
    opened = context.opened
    if opened is None:
        return None
    parts = [split_image_name(opened, name) for name in (*request.images, *request.references)]
    named = sorted({part[1] for part in parts if part is not None and part[1] is not None})
    if len(named) > 1:
        raise UsageError(
            f"a layout describes one memory, and these are images of {' and '.join(named)}",
            code="two-memories",
            next_step="draft a layout for each",
        )
    if not named and not any(parts):
        return None
    return only_memory(opened, named[0] if named else context.chip_name)


def _from_job(
    name: str,
    role: Role,
    memory: str | None,
    vin: str | None,
    opened: OpenJob,
    context: Context,
) -> tuple[ModuleReads, list[LoadedRead]]:
    found = require_role(opened, context.store, role, memory)
    loaded = load_backup_reads(context.store, found[0])
    vehicle = opened.job.order.vehicle_vin
    wanted = vin is None and role is Role.ORIGINAL and vehicle is not None
    # Used modules turn up as originals: the order's VIN counts where it is really inside.
    if wanted and vehicle and find_identity(loaded[0].image, vehicle, parts=False):
        vin = vehicle
    images = tuple(read.image for read in loaded)
    return ModuleReads(name=name, role=role, vin=vin, reads=images), loaded


def _add_read(modules: list[ModuleReads], new: ModuleReads) -> None:
    """As a further read of a module that is there already, or as a module of its own."""
    for place, module in enumerate(modules):
        if module.role is new.role and _is_same_module(module, new):
            modules[place] = ModuleReads(
                name=module.name,
                role=module.role,
                vin=module.vin or new.vin,
                reads=(*module.reads, *new.reads),
            )
            return
    modules.append(new)


def _is_same_module(one: ModuleReads, two: ModuleReads) -> bool:
    """Nearly the same bytes and the same VINs."""
    if one.vin is not None and two.vin is not None and one.vin != two.vin:
        return False
    first, second = one.reads[0], two.reads[0]
    if first.spans != second.spans:
        return False
    agreement = compare_reads([first, second])
    if agreement.agree:
        return True
    return agreement.differing_bytes <= _ONE_MODULE and _texts(first) == _texts(second) != set()


def _texts(image: Image) -> set[str]:
    return {vin.text for vin in find_vins(image)}


def _header(
    request: DraftRequest, context: Context, modules: Sequence[ModuleReads], now: datetime
) -> DraftHeader:
    opened = context.opened
    order = None if opened is None else opened.job.order
    memory = memory_of(request, context)
    if memory is None and opened is not None and len(opened.job.memories) == 1:
        memory = opened.job.memories[0]
    chip = context.chip_name or (opened.job.chip_of(memory) if opened and memory else None)
    size = max(len(extent) for module in modules if (extent := module.reads[0].extent))
    if chip is None:
        fitting = [item.name for item in chips_of_size(size)]
        which = f": by its size {', '.join(fitting)}" if fitting else ""
        raise UsageError(
            f"the memory chip is not named{which}",
            code="missing-answer",
            next_step="name it with --chip, for example --chip 95160",
        )
    known = find_chip(chip)
    module = request.module or (order.module_kind if order else None) or ModuleKind.OTHER
    parts = () if order is None else (order.original_part, order.donor_part)
    listed = tuple(dict.fromkeys(part for part in parts if part))
    name = request.name or f"{listed[0] if listed else 'unnamed module'}, drafted"
    return DraftHeader(
        name=name,
        chip=known.name if known else chip,
        module=module,
        parts=listed,
        drawn_from=tuple(module.name for module in modules),
        date=now.date().isoformat(),
    )
