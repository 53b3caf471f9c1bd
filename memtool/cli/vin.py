"""`benchimage vin`: check and explain VINs typed by hand."""

from __future__ import annotations

from typing import Any

import click

from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say, say_next
from memtool.core.texts.vin import CheckDigitState, VinReport, explain_vin
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.text.vin_text import render_vin_report


@click.command(
    epilog="""Examples:

\b
  benchimage vin 1G4AH59H45G118341
  benchimage vin --json 1G4AH59H45G118341 WP0ZZZ99ZTS392124

Ends with 1 if a VIN is not well formed, or if its check digit does not match where the maker
code requires one. A check digit that is not required only gives a note.""",
)
@click.argument("texts", metavar="TEXT...", nargs=-1, required=True)
@place_options
def command(texts: tuple[str, ...], place: Place, as_json: bool) -> int:
    """Check and explain VINs typed by hand: shape, check digit, maker code, model year.

    Nothing is looked up. Inside a job, its journal keeps what was asked.
    """
    context = place.open_if_in_job()
    reports = [explain_vin(text) for text in texts]
    against = any(_speaks_against(report) for report in reports)
    if context is not None:
        context.record("vin", {"texts": list(texts), "speaks_against": against})
    if as_json:
        print_json({"schema": "benchimage.vin/1", "vins": [_document(item) for item in reports]})
    else:
        say("\n\n".join(render_vin_report(report) for report in reports))
    if against:
        return 1
    if not as_json:
        command = f"benchimage find {quoted(reports[0].text)} IMAGE"
        say_next(NextStep(text="see where an image holds it", commands=(command,)))
    return 0


def _speaks_against(report: VinReport) -> bool:
    digit = report.check_digit
    return not report.well_formed or digit is None or digit.state is CheckDigitState.INVALID


def _document(report: VinReport) -> dict[str, Any]:
    digit = report.check_digit
    return {
        "text": report.text,
        "well_formed": report.well_formed,
        "check_digit": None
        if digit is None
        else {"given": digit.given, "expected": digit.expected, "state": digit.state.value},
        "world_region": report.world_region,
        "country": report.country,
        "model_years": list(report.model_years),
        "problems": list(report.problems),
    }
