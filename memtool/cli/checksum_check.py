"""`benchimage checksum check`: every checksum that a layout names."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.checksum_source import load_source
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.checksums.checksum import ChecksumResult, check_checksum, refresh_order
from memtool.core.finding import Verdict
from memtool.render.checksum_json import rule_value
from memtool.render.checksum_text import render_results
from memtool.render.words import safe_text
from memtool.store.layout_files.layouts import read_layout


@click.command(
    "check",
    epilog="""Examples:

\b
  benchimage checksum check read.bin --layout door-c.toml
  benchimage checksum check donor.hex --layout door-c.toml --json

Ends with 1 if a checksum is wrong, and also if one could not be checked: what was not
checked is never called good.""",
)
@click.argument("image")
@click.option("--layout", "layout_path", required=True, type=PATH, help="The layout file.")
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@reading_options
def command(
    image: str,
    layout_path: Path,
    job: Path | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Check every checksum that a layout names.

    They come in the order in which they are refreshed: one that covers the field of
    another stands below it. IMAGE is a file, or inside a job 'original', 'donor',
    'reference', 'to-write'.
    """
    loaded = read_layout(layout_path)
    source = load_source(
        image,
        job=job,
        store=store,
        read_format=read_format,
        overlap=overlap,
        base=base,
        chip=chip,
    )
    read = source.read
    rules = refresh_order(loaded.layout.checksums)
    results = [check_checksum(read.image, rule) for rule in rules]
    source.record(
        {
            "command": "checksum check",
            "results": [{"name": item.name, "result": item.result.value} for item in results],
        },
        [(loaded.path, loaded.sha256)],
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
        click.echo(render_results(results))
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
        note("A wrong one means a bad read, another layout, or content that was changed.")
