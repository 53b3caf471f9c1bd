"""Draft a layout: which images are which modules, what is known of them, and the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.backup import Role
from memtool.core.chip import chips_of_size, find_chip
from memtool.core.drafting import Draft, ModuleReads, draft_layout
from memtool.core.identity.known_identity import find_identity, find_vins
from memtool.core.image import Image
from memtool.core.layouts.layout import ModuleKind
from memtool.core.reads.agreement import compare_reads
from memtool.errors import RefusalError, UsageError
from memtool.store.backups import BackupStore
from memtool.store.drafts import DraftHeader, write_draft_text
from memtool.store.layout_files.layouts import parse_layout
from memtool.store.writing import write_new
from memtool.workflow.jobs import OpenJob, load_kept_reads, load_role, only_chip
from memtool.workflow.loading import LoadedRead, ReadOptions, load_read

_ONE_MODULE = 24
"""Bytes in which two reads of one module may differ: counters and their checksums."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftRequest:
    """What the person gave."""

    images: tuple[str, ...]
    """Paths, and inside a job the names of its images."""
    references: tuple[str, ...]
    """Paths of never-configured modules."""
    vins: Mapping[str, str]
    """VIN by image as it was named."""
    out: Path
    name: str | None
    chip: str | None
    module: ModuleKind | None
    options: ReadOptions


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
    opened: OpenJob | None,
    store: BackupStore,
    *,
    now: datetime,
    progress: Callable[[int, int, str], None] | None = None,
) -> DraftResult:
    """Draft from all images and write the layout; nothing is written if it exists.

    Raises:
        UsageError: an image is missing, all are references, or the chip is not known.
        RefusalError: `out` exists.
    """
    if request.out.exists() or request.out.is_symlink():
        raise RefusalError(
            f"'{request.out}' exists", code="output-exists", next_step="name a new file with --out"
        )
    modules, reads = _load(request, opened, store)
    if not any(module.role is not Role.REFERENCE for module in modules):
        raise UsageError(
            "a reference alone shows no identity",
            code="draft-images",
            next_step="give a module that was configured too",
        )
    header = _header(request, opened, modules, now)
    try:
        draft = draft_layout(modules, progress=progress)
    except ValueError as error:
        raise UsageError(
            f"no draft can be made: {error}",
            code="draft-images",
            next_step="give images of one module family, read in one way",
        ) from error
    text = write_draft_text(draft, header)
    parse_layout(text)  # A draft that is no valid layout is a mistake of ours; better now.
    digest = write_new(request.out, text.encode())
    return DraftResult(
        draft=draft,
        modules=modules,
        header=header,
        out=request.out,
        sha256=digest,
        reads=tuple(reads),
    )


def _load(
    request: DraftRequest, opened: OpenJob | None, store: BackupStore
) -> tuple[tuple[ModuleReads, ...], list[LoadedRead]]:
    """Modules in the order given, several reads of one joined."""
    modules: list[ModuleReads] = []
    reads: list[LoadedRead] = []
    known = dict(request.vins)
    for name in (*request.images, *request.references):
        vin = known.pop(name, None)
        if opened is not None and name in tuple(Role):
            module, loaded = _from_job(name, vin, opened, store, request.chip)
            modules.append(module)
            reads += loaded
            continue
        read = load_read(Path(name), request.options)
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


def _from_job(
    name: str, vin: str | None, opened: OpenJob, store: BackupStore, chip: str | None
) -> tuple[ModuleReads, list[LoadedRead]]:
    role = Role(name)
    found = load_role(opened, store, role, only_chip(opened, chip))
    if found is None:
        raise UsageError(
            f"this job keeps no read of the {name}",
            code="no-such-role",
            next_step=f"add its reads with 'benchimage start --{name} READ'",
        )
    loaded = load_kept_reads(store, found[0])
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
    request: DraftRequest, opened: OpenJob | None, modules: Sequence[ModuleReads], now: datetime
) -> DraftHeader:
    order = None if opened is None else opened.job.order
    chip = request.chip or (None if opened is None else only_chip(opened, None))
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
