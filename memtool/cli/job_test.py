"""``benchimage job test``: what was tried on the vehicle after setup."""

from __future__ import annotations

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say
from memtool.core.job.events.person_kinds import FunctionTested
from memtool.render.json.as_json import document
from memtool.workflow.context import clock
from memtool.workflow.notes import add_test


@click.command(
    "test",
    epilog="""\b
Examples:
  benchimage job test 'both doors lock and unlock' --result ok --supply-voltage '13.4 V'
  benchimage job test 'steers to both ends' --result ok --calibration 'angle sensor, passed'
""",
)
@click.argument("text")
@click.option(
    "--result", required=True, type=click.Choice(["ok", "not-ok"]), help="Result of the test."
)
@click.option("--supply-voltage", metavar="TEXT", help="Supply voltage during setup.")
@click.option("--codes-before", metavar="TEXT", help="Codes before the work, or 'none'.")
@click.option("--codes-after", metavar="TEXT", help="Codes after it, or 'none'.")
@click.option("--calibration", metavar="TEXT", help="What was calibrated, and the result.")
@place_options
def command(
    text: str,
    result: str,
    supply_voltage: str | None,
    codes_before: str | None,
    codes_after: str | None,
    calibration: str | None,
    place: Place,
    as_json: bool,
) -> int:
    """Record what was tried on the vehicle; TEXT says what.

    For brakes, steering, high voltage and driver assistance the check after setup stays open
    until calibration and test are recorded.
    """
    opened = add_test(
        place.open().require_job(),
        FunctionTested(
            text=text,
            ok=result == "ok",
            supply_voltage=supply_voltage,
            codes_before=codes_before,
            codes_after=codes_after,
            calibration=calibration,
        ),
        now=clock(),
    )
    made = opened.job.function_tests[-1]
    if as_json:
        print_json(
            document(
                "job-test",
                number=made.number,
                time=made.time,
                text=made.text,
                result=result,
                supply_voltage=made.supply_voltage,
                codes_before=made.codes_before,
                codes_after=made.codes_after,
                calibration=made.calibration,
            )
        )
    else:
        say(f"Recorded, as journal entry {made.number}: {result}.")
        say_next_of(opened.job)
    return 0 if made.ok else 1
