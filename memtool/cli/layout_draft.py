"""`benchimage layout draft`: propose a layout from the images of several modules."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.progress import SearchProgress
from memtool.cli.session import clock, current_job, open_store, read_options
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.identity.vin import parse_vin
from memtool.core.layouts.layout import ModuleKind
from memtool.errors import UsageError
from memtool.render.as_json import document
from memtool.render.draft_view import draft_values, render_draft
from memtool.render.words import safe_text
from memtool.workflow.drafting import DraftRequest, draft_to_file
from memtool.workflow.jobs import record


@click.command(
    epilog="""Examples:

\b
  benchimage layout draft donor original --out door.toml
  benchimage layout draft a.bin b.bin c.bin --chip 95160 --out door.toml \\
    --vin a.bin=11111111111111111 --reference new.bin

Two reads of one module are told by their content and taken together. A third module, and
one that was never configured, settle most of what two modules leave open.""",
)
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...")
@click.option("--out", type=PATH, required=True, help="Layout file to write.")
@click.option("--vin", "vins", multiple=True, metavar="IMAGE=VIN", help="The VIN of an image.")
@click.option(
    "--reference", multiple=True, metavar="IMAGE", help="An image of a never-configured module."
)
@click.option("--name", help="What people call the module family.")
@click.option("--module-kind", type=click.Choice([kind.value for kind in ModuleKind]))
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@reading_options
def command(
    images: tuple[str, ...],
    out: Path,
    vins: tuple[str, ...],
    reference: tuple[str, ...],
    name: str | None,
    module_kind: str | None,
    job: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Guess what lies where in a module family that no layout describes.

    Inside a job, 'original', 'donor' and 'reference' stand for its backed-up reads. Every
    guess carries its evidence as a comment; what is unknown stays unknown. The layout is
    not reviewed: 'blank' refuses it until 'layout review' has asked a person.
    """
    opened = current_job(job)
    request = DraftRequest(
        images=images,
        references=reference,
        vins=_vins(vins),
        out=out,
        name=name,
        chip=chip,
        module=ModuleKind(module_kind) if module_kind else None,
        options=read_options(read_format, base=base, overlap=overlap),
    )
    progress = SearchProgress()
    try:
        result = draft_to_file(request, opened, open_store(store), now=clock(), progress=progress)
    finally:
        progress.clear()
    if opened is not None:
        files = [(read.path, read.file_sha256) for read in result.reads]
        facts = {"command": "layout draft", "out": str(out), "sha256": result.sha256}
        record(opened, "command-run", facts, files=files, now=clock())
    if as_json:
        print_json(
            document(
                "layout-draft",
                out=str(result.out),
                sha256=result.sha256,
                name=result.header.name,
                chip=result.header.chip,
                module=result.header.module.value,
                **draft_values(result.draft, result.modules),
            )
        )
        return 0
    click.echo(render_draft(result.draft, result.modules))
    note(f"Written: {safe_text(str(out))}, not reviewed.")
    note(f"Next: {_next_step(out, images, in_job=opened is not None)}")
    return 0


def _vins(texts: tuple[str, ...]) -> dict[str, str]:
    """``IMAGE=VIN``, each image once."""
    vins: dict[str, str] = {}
    for text in texts:
        image, sign, vin = text.rpartition("=")
        try:
            if not sign or not image:
                raise ValueError("write it as IMAGE=VIN")
            if image in vins:
                raise ValueError(f"'{image}' has two VINs")
            vins[image] = parse_vin(vin).text
        except ValueError as error:
            raise UsageError(
                f"--vin {text}: {str(error).rstrip('.')}",
                code="vin",
                next_step="give each image its own VIN",
            ) from error
    return vins


def _next_step(out: Path, images: tuple[str, ...], *, in_job: bool) -> str:
    step = f"benchimage layout review {safe_text(str(out))}"
    if not in_job:
        step += "".join(f" --image {safe_text(image)}" for image in images)
    return step
