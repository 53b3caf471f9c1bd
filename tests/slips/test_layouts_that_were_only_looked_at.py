"""A layout laid over the job's images counts in the job as one named to `blank`."""

from __future__ import annotations

import json

import pytest

from tests.build import LAYOUT
from tests.workflow.jobs import Bench

AIRBAG = LAYOUT.replace('module = "body"', 'module = "airbag"')
OVER_THE_VIN = LAYOUT.replace("0x80-0x8F", "0x70-0x8F").replace(
    'kind = "state"\ntype = "u32be"', 'kind = "protected"'
)
"""What the job's own layout calls a counter is protected here."""


def named(bench: Bench) -> list[str]:
    lines = (bench.job / "journal.jsonl").read_text().splitlines()
    entries = [json.loads(line) for line in lines]
    return [each["facts"]["module"] for each in entries if each["kind"] == "layout-named"]


@pytest.mark.parametrize(
    "look",
    [
        ("inspect", "donor"),
        ("compare", "donor", "original"),
        ("check", "--stage", "donor"),
        ("layout", "check", "airbag.toml", "--against", "donor"),
        ("layout", "show", "airbag.toml", "--image", "donor"),
    ],
    ids=["inspect", "compare", "check", "layout check", "layout show"],
)
def test_a_layout_of_an_airbag_bans_blanking_once_it_was_looked_at(
    started: Bench, look: tuple[str, ...]
) -> None:
    started.write("airbag.toml", AIRBAG.encode())
    look = look if look[0] == "layout" else (*look, "--layout", "airbag.toml")
    looked = started.in_job(*look)
    if look[0] == "check":
        assert looked.returncode == 3
        assert "is not the layout that the job uses" in looked.stderr
    else:
        assert "airbag module: from now on nothing is blanked in this job" in looked.stderr
    assert named(started) == ["body", "airbag"]
    refused = started.blank("--out", "out.bin")
    assert refused.returncode == 3
    assert "the layout 'test module'" in refused.stderr
    assert "airbag module" in refused.stderr


def test_what_a_layout_protects_that_was_looked_at_stays_untouched(started: Bench) -> None:
    started.write("other.toml", OVER_THE_VIN.encode())
    again = [started.in_job("inspect", "donor", "--layout", "other.toml") for _ in range(2)]
    assert [done.returncode for done in again] == [0, 0]
    assert named(started) == ["body", "body"], "the same layout is remembered once"
    refused = started.in_job(
        *("blank", "donor", "--span", "0x40+4", "--confirm", "042788", "--out", "out.bin")
    )
    assert refused.returncode == 3
    assert "protected-untouched" in refused.stderr


def test_a_layout_file_that_is_only_read_is_not_the_jobs(started: Bench) -> None:
    started.write("airbag.toml", AIRBAG.encode())
    for command in ("check", "show"):
        assert started.in_job("layout", command, "airbag.toml").returncode == 0
    assert named(started) == ["body"]
    assert started.blank("--out", "out.bin").returncode == 0
