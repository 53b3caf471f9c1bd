"""``benchimage job decide``: what a person decided on a point that a check left open."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say
from memtool.cli.types import PATH
from memtool.core.job.stage import Stage
from memtool.render.json.as_json import document
from memtool.render.text.check_view import tell_verdict
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.deciding import decide_point
from memtool.workflow.loading import load_read
from memtool.workflow.stages.images import require_foreign


@click.command(
    "decide",
    epilog="""\b
Examples:
  benchimage job decide module-identity 'catalogue: C replaces B, same hardware'
  benchimage job decide health 'bytes compared with a second reader' --name 'N. N.'
""",
)
@click.argument("point")
@click.argument("text")
@click.option("--name", help="Who decides; default: the technician of the order.")
@click.option(
    "--stage",
    type=click.Choice([stage.value for stage in Stage]),
    help="Which check, if several have a point of that name; default: the newest.",
)
@click.option(
    "--second-method",
    type=PATH,
    metavar="READ",
    help="A read made with another method that shows the same bytes there.",
)
@place_options
def command(
    point: str,
    text: str,
    name: str | None,
    stage: str | None,
    second_method: Path | None,
    place: Place,
    as_json: bool,
) -> int:
    """Decide a POINT that a check left to you; TEXT says what and why.

    POINT is the name in brackets beside the point. The decision holds as long as the same
    file, layout, backups, VIN and kind are judged; a failure cannot be decided. Deciding that
    an area is really empty ('read-areas') lets the rest go on.
    """
    context = place.open()
    opened = context.require_job()
    second = None
    if second_method is not None:
        second = load_read(second_method, context.options)
        require_foreign(opened, context.store, second_method)
    done = decide_point(
        opened,
        context.store,
        point,
        text,
        name=name,
        stage=Stage(stage) if stage else None,
        second=second,
        now=clock(),
    )
    made, standing = done.decision, done.standing
    if as_json:
        print_json(
            document(
                "job-decide",
                number=made.number,
                time=made.time,
                stage=made.stage.value,
                memory=made.memory,
                point=made.point,
                found=made.found,
                text=made.text,
                name=made.name,
                verdict=standing.verdict.value,
                open=[each.label for each in done.left],
            )
        )
        return 0
    say(safe_text(f"Decided by {made.name}, as journal entry {made.number}: {made.found}"))
    words = tell_verdict(standing.verdict, standing.points)
    say(safe_text(f"Check {made.stage.value} now: {words.rstrip('.')}."))
    say_next_of(done.opened.job)
    return 0
