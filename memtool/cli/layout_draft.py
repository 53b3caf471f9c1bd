"""`benchimage layout draft`: propose a layout from the images of several modules."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, reading_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import IMAGE, PATH
from memtool.core.layouts.layout import ModuleKind
from memtool.core.texts.vin import fold_typed, parse_vin
from memtool.errors import UsageError
from memtool.render.json.as_json import document
from memtool.render.text.draft_view import draft_values, render_draft
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.words import safe_text
from memtool.workflow.context import clock, worker_count
from memtool.workflow.drafting import DraftRequest, draft_to_file


@click.command(
    epilog="""Examples:

\b
  benchimage layout draft donor original --out door.toml
  benchimage layout draft a.bin b.bin c.bin --chip 95160 --out door.toml \\
    --vin a.bin=11111111111111111 --reference new.bin

Two reads of one module are recognised by their content and taken together. A third module,
and one that was never configured, answer most of what two modules leave open.""",
)
@click.argument("images", nargs=-1, required=True, metavar="IMAGE...", type=IMAGE)
@click.option("--out", type=PATH, required=True, help="Layout file to write.")
@click.option("--vin", "vins", multiple=True, metavar="IMAGE=VIN", help="The VIN of an image.")
@click.option(
    "--reference",
    multiple=True,
    metavar="IMAGE",
    type=IMAGE,
    help="An image of a never-configured module.",
)
@click.option("--name", help="Name of the module family.")
@click.option("--module-kind", type=click.Choice([kind.value for kind in ModuleKind]))
@job_option
@reading_options
def command(
    images: tuple[str, ...],
    out: Path,
    vins: tuple[str, ...],
    reference: tuple[str, ...],
    name: str | None,
    module_kind: str | None,
    reading: Reading,
    as_json: bool,
) -> int:
    """Guess what lies where in a module family that no layout describes.

    Inside a job, 'original', 'donor' and 'reference' stand for its backed-up reads. Every
    guess carries its evidence as a comment; what is unknown stays unknown. The layout is
    not reviewed: 'blank' refuses it until 'layout review' has asked a person.
    """
    context = reading.open()
    request = DraftRequest(
        images=images,
        references=reference,
        vins=_vins(vins),
        out=out,
        name=name,
        module=ModuleKind(module_kind) if module_kind else None,
    )
    with at_work("searching") as work:
        work(0, 1, "preparing")
        result = draft_to_file(request, context, now=clock(), workers=worker_count(), progress=work)
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
    say(render_draft(result.draft, result.modules))
    note(f"Written: {safe_text(str(out))}, not reviewed.")
    say_next(_next_step(out, images, in_job=context.opened is not None), in_job=True)
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
            vins[image] = parse_vin(fold_typed(vin)).text
        except ValueError as error:
            raise UsageError(
                f"--vin {text}: {str(error).rstrip('.')}",
                code="vin",
                next_step="give each image its own VIN",
            ) from error
    return vins


def _next_step(out: Path, images: tuple[str, ...], *, in_job: bool) -> NextStep:
    command = f"benchimage layout review {quoted(out)}"
    if not in_job:
        command += "".join(f" --image {quoted(image)}" for image in images)
    return NextStep(commands=(command,))
