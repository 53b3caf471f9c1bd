"""Every published schema holds for real output, and is closed: no key can go or change type."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from tests.build import DONOR_VIN, VEHICLE_VIN, blanked_memory
from tests.command_line import SCHEMAS
from tests.workflow.jobs import DONOR, KEEP, new_bench

Path_ = tuple[str | int, ...]


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """One real document of every command, by the name of its schema."""
    bench = new_bench(tmp_path_factory.mktemp("schemas") / "bench")
    found: dict[str, dict[str, Any]] = {}

    def run(*arguments: str) -> None:
        done = bench.run(*arguments, "--json")
        document = json.loads(done.stdout)
        found[document["schema"].removeprefix("benchimage.").removesuffix("/1")] = document

    bench.write("d3.bin", blanked_memory(DONOR))
    bench.write("label.txt", b"label")
    order = json.loads(bench.start("--json").stdout)
    found["start"] = order
    job = ("--job", "job")
    run("inspect", "d1.bin", "d3.bin", "--layout", "module.toml", "--chip", "24C02")
    run("vin", DONOR_VIN)
    run("find", DONOR_VIN, "d1.bin")
    run("compare", "d1.bin", "d3.bin", "--layout", "module.toml")
    run("checksum", "list")
    run("checksum", "compute", "d1.bin", "--algorithm", "CRC-16/IBM-3740", "--span", "0x10-0x21")
    run("checksum", "check", "d1.bin", "--layout", "module.toml")
    run("checksum", "discover", "d1.bin", "o1.bin")
    run("layout", "check", "module.toml", "--against", "d1.bin")
    run("layout", "show", "module.toml", "--image", "d1.bin")
    run("layout", "add", "module.toml")
    run("layout", "draft", "d1.bin", "o1.bin", "--chip", "24C02", "--out", "draft.toml")
    guesses = (found["layout-draft"][kind] for kind in ("regions", "checksums"))
    accepted = [part for guess in guesses for item in guess for part in ("--accept", item["name"])]
    run("layout", "review", "draft.toml", "--by", "N. N.", *accepted)
    run("backup", "add", "d1.bin", "d2.bin", "--role", "donor", "--chip", "24C02")
    backup = found["backup-add"]["backups"][0]["id"]
    run("backup", "list")
    run("backup", "check")
    run("backup", "restore", backup, "--out", "restored.bin")
    run("convert", "d1.bin", "d1.hex", "--to", "intel-hex")
    run("convert", "d1.bin", "d2.hex", "--to", "intel-hex", "--span", "0+300", "--fill", "0xFF")
    found["convert-note"] = json.loads((bench.folder / "d2.hex.note.json").read_text())
    run("blank", "donor", *KEEP, "--confirm", "042788", *job)
    run("check", "--stage", "before-writing", *job)
    run("job", "note", "text", *job)
    run("job", "attach", "label.txt", *job)
    run("job", "show", *job)
    run("check", "--reported-vin", VEHICLE_VIN, "--codes", "B1", *job)
    run("report", *job)
    run("doctor")
    run("inspect", "no-such-file.bin")
    return found


def test_every_schema_is_met_by_a_real_document(documents: dict[str, dict[str, Any]]) -> None:
    for name, document in documents.items():
        schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.Draft202012Validator(schema).validate(document)


def test_no_key_can_be_taken_away_or_change_its_type(
    documents: dict[str, dict[str, Any]],
) -> None:
    loose = []
    for name, document in documents.items():
        schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
        validator = jsonschema.Draft202012Validator(schema)
        for path in sorted(set(keys_of(document)), key=str):
            for what, spoilt in (
                ("removed", without(document, path)),
                ("retyped", with_value(document, path, {"not": ["of", "this", "type"]})),
            ):
                if validator.is_valid(spoilt):
                    loose.append(f"{name}: {'.'.join(map(str, path))} {what}")
        if validator.is_valid({**document, "unknown": 1}):
            loose.append(f"{name}: takes an unknown key")
    assert loose == []


def test_every_command_that_speaks_json_has_a_schema(
    documents: dict[str, dict[str, Any]],
) -> None:
    published = {path.stem for path in SCHEMAS.glob("*.json")}
    assert set(documents) == published


def keys_of(value: Any, path: Path_ = ()) -> Iterator[Path_]:
    """The path of every key, the first item of each list standing for all."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*path, key)
            yield from keys_of(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value[:3]):
            yield from keys_of(inner, (*path, index))


def with_value(document: Any, path: Path_, value: Any) -> Any:
    spoilt = copy.deepcopy(document)
    place = spoilt
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    return spoilt


def without(document: Any, path: Path_) -> Any:
    spoilt = copy.deepcopy(document)
    place = spoilt
    for step in path[:-1]:
        place = place[step]
    del place[path[-1]]
    return spoilt
