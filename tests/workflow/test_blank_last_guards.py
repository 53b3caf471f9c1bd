"""`blank` in this process: the guards behind the rules, reached by breaking what is before them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import memtool.cli.blank as command
from memtool.cli.main import main
from memtool.core.image import Image
from memtool.workflow import blank_writing as workflow
from memtool.workflow.loading import load_read
from tests.workflow.jobs import KEEP, Bench


def blank(
    bench: Bench,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    *more: str,
    job: str = "job",
) -> tuple[int, dict[str, Any]]:
    monkeypatch.chdir(bench.folder)
    monkeypatch.setenv("BENCHIMAGE_STORE", str(bench.folder / "store"))
    arguments = ["blank", "donor", "--job", job, *KEEP, "--confirm", "042788", *more, "--json"]
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert isinstance(ended.value.code, int)
    return ended.value.code, json.loads(capsys.readouterr().out)


def test_a_span_outside_the_image_is_no_plan(
    started: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    status, error = blank(started, capsys, monkeypatch, "--span", "0x200+4", "--out", "out.bin")
    assert (status, error["code"]) == (3, "no-plan")
    assert not (started.folder / "out.bin").exists()


def test_a_file_that_reads_back_as_another_image_is_told(
    started: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The write itself was read back already; this is the image, parsed from the file again."""
    real = load_read

    def other(path: Path, options: Any) -> Any:
        loaded = real(path, options)
        if path.name != "out.bin":
            return loaded
        wrong = Image.from_bytes(loaded.image.read(loaded.image.spans[0])[:-1] + b"\0")
        return loaded._replace(image=wrong)

    monkeypatch.setattr(workflow, "load_read", other)
    status, error = blank(started, capsys, monkeypatch, "--out", "out.bin")
    assert (status, error["code"]) == (5, "write-differs")
    kinds = [
        json.loads(line)["kind"]
        for line in (started.job / "journal.jsonl").read_bytes().splitlines()
    ]
    assert "image-blanked" not in kinds


def test_a_clearance_without_a_job_writes_nothing(
    started: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if a rule had a hole: the last door is shut as well."""
    real = workflow.write_blank

    def without_job(prepared: Any, *more: Any, **named: Any) -> Any:
        parts = [
            replace(part, request=replace(part.request, opened=None)) for part in prepared.parts
        ]
        return real(replace(prepared, parts=tuple(parts)), *more, **named)

    monkeypatch.setattr(command, "write_blank", without_job)
    status, error = blank(started, capsys, monkeypatch, "--out", "out.bin")
    assert (status, error["code"]) == (70, "bug")
    assert not (started.folder / "out.bin").exists()
