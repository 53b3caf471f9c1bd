"""`benchimage checksum check`: every checksum that a layout names."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import job_option
from memtool.cli.reading import Reading, note_oddities, note_other_size, reading_options
from memtool.cli.shared import note, print_json, say
from memtool.cli.types import IMAGE, PATH
from memtool.core.checksums.checksum import ChecksumResult, check_checksum, refresh_order
from memtool.core.finding import Verdict
from memtool.core.records.placing import place_records
from memtool.render.json.checksum_json import rule_value
from memtool.render.text.checksum_text import render_results
from memtool.render.words import safe_text
from memtool.store.layouts import read_layout


@click.command(
    "check",
    epilog="""Examples:

\b
  benchimage checksum check read.bin --layout door-c.toml
  benchimage checksum check donor.hex --layout door-c.toml --json

Ends with 1 if a checksum is wrong, and also if one could not be checked: what was not
checked is never called good.""",
)
@click.argument("image", type=IMAGE)
@click.option("--layout", "layout_path", required=True, type=PATH, help="The layout file.")
@job_option
@reading_options
def command(
    image: str,
    layout_path: Path,
    reading: Reading,
    as_json: bool,
) -> int:
    """Check every checksum that a layout names.

    They come in the order in which they are refreshed: one that covers the field of
    another stands below it. IMAGE is a file, or inside a job 'original', 'donor',
    'reference', 'to-write'.
    """
    loaded = read_layout(layout_path)
    context = reading.open()
    read = context.load(image)
    note_oddities([read])
    note_other_size([read], context.chip)
    rules = refresh_order(place_records(loaded.layout, read.image).checksums)
    results = [check_checksum(read.image, rule) for rule in rules]
    context.record(
        "checksum check",
        {"results": [{"name": item.name, "result": item.result.value} for item in results]},
        reads=[read],
        files=[(loaded.path, loaded.sha256)],
    )
    if as_json:
        print_json(
            {
                "schema": "benchimage.checksum-check/1",
                "image": read.path,
                "sha256": read.image.sha256(),
                "layout": loaded.layout.name,
                "layout_sha256": loaded.sha256,
                "checksums": [
                    rule_value(rule, result) for rule, result in zip(rules, results, strict=True)
                ],
            }
        )
    elif results:
        say(render_results(results))
        _say_outcome(results)
    else:
        note(f"The layout '{safe_text(loaded.layout.name)}' names no checksum.")
    return 0 if all(result.result is Verdict.PASS for result in results) else 1


def _say_outcome(results: list[ChecksumResult]) -> None:
    verdicts = [result.result for result in results]
    counts = [
        f"{verdicts.count(verdict)} {words}"
        for verdict, words in (
            (Verdict.PASS, "right"),
            (Verdict.FAIL, "wrong"),
            (Verdict.NOT_CHECKED, "not checked"),
        )
        if verdict in verdicts
    ]
    note(f"{', '.join(counts)}.")
    if Verdict.FAIL in verdicts:
        note("A wrong checksum means a bad read, the wrong layout, or changed content.")
