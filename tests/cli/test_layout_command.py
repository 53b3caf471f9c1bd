"""`benchimage layout` as a process: exit status, output, documents, files left behind."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.command_line import ROOT, parse_document, run_benchimage
from tests.sample_layout import LAYOUT, VIN, sample_image


@pytest.fixture
def layout(tmp_path: Path) -> Path:
    path = tmp_path / "door.toml"
    path.write_text(LAYOUT, encoding="utf-8")
    return path


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "door.bin"
    path.write_bytes(sample_image())
    return path


def test_check_of_a_valid_layout_ends_with_0_and_names_the_next_step(layout: Path) -> None:
    done = run_benchimage("layout", "check", layout)
    assert done.returncode == 0
    assert f"{layout}: a valid layout, 'door zone controller, board T', reviewed" in done.stdout
    assert "13 regions with 3 checksums, 251 of 512 bytes described" in done.stdout
    told = f"Next: see how it fits an image:\n  benchimage layout check {layout} --against IMAGE\n"
    assert done.stderr == told


def test_check_of_a_broken_layout_ends_with_4_and_lists_every_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(LAYOUT.replace("size =", "sise =").replace('"state"', '"stat"'), "utf-8")
    done = run_benchimage("layout", "check", path)
    assert (done.returncode, done.stdout) == (4, "")
    places = sorted(int(row.split(f"{path}:")[1].split(":")[0]) for row in done.stderr.splitlines())
    assert places == [2, 6, 38, 50]


def test_check_of_a_broken_layout_is_an_error_document_under_json(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text("[layout\n", encoding="utf-8")
    done = run_benchimage("layout", "check", path, "--json")
    document = json.loads(done.stdout)
    assert (done.returncode, document["schema"]) == (4, "benchimage.error/1")
    assert (document["code"], document["file"], document["line"]) == (
        "layout-syntax",
        str(path),
        1,
    )


def test_check_against_images_scores_each(layout: Path, image: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.bin"
    other.write_bytes(sample_image()[:-1] + b"\x00" * 1)
    done = run_benchimage("layout", "check", layout, "--against", image, "--against", other)
    assert done.returncode == 0
    assert done.stdout.count("8 of 8 decode") == 2
    assert done.stdout.count("3 of 3 hold") == 2


def test_check_against_an_image_of_another_size_ends_with_1(layout: Path, tmp_path: Path) -> None:
    path = tmp_path / "short.bin"
    path.write_bytes(sample_image()[:256])
    done = run_benchimage("layout", "check", layout, "--against", path.name, cwd=tmp_path)
    assert done.returncode == 1
    assert "short.bin: the layout does not fit" in " ".join(done.stdout.split())


def test_check_against_an_image_with_a_wrong_checksum_ends_with_1(
    layout: Path, image: Path
) -> None:
    data = bytearray(image.read_bytes())
    data[0xC0] ^= 1
    image.write_bytes(data)
    done = run_benchimage("layout", "check", layout, "--against", image, "--json")
    document = parse_document(done, "layout-check")
    assert done.returncode == 1
    (scored,) = document["images"]
    assert scored["checksum_counts"] == {"right": 2, "wrong": 1, "blank": 0, "not_checked": 0}
    assert [entry["result"] for entry in scored["checksums"]] == ["pass", "fail", "pass"]


def test_check_document_scores_fields_checksums_and_bytes(layout: Path, image: Path) -> None:
    done = run_benchimage("layout", "check", layout, "--against", image, "--json")
    document = parse_document(done, "layout-check")
    assert done.returncode == 0
    assert document["path"] == str(layout)
    assert (document["regions"], document["checksums"]) == (13, 3)
    (scored,) = document["images"]
    assert scored["fits"] is True
    assert scored["field_counts"] == {"decoded": 8, "blank": 0, "faulty": 0, "undefined": 0}
    assert (scored["bytes_explained"], scored["bytes_total"]) == (251, 512)


def test_raw_image_begins_at_the_base_of_the_layout(tmp_path: Path) -> None:
    layout, image = tmp_path / "moved.toml", tmp_path / "moved.bin"
    text = '[layout]\nname="m"\nchip="1K"\nbase=0x4000\nsize=16\nmodule="engine"\n'
    text += '[[region]]\nname="n"\nspan="0x4002+2"\nkind="state"\ntype="u16be"\n'
    layout.write_text(text, encoding="utf-8")
    image.write_bytes(bytes(range(16)))
    done = run_benchimage("layout", "show", layout, "--image", image, "--json")
    document = parse_document(done, "layout-show")
    assert done.returncode == 0
    assert document["image"]["fields"][0]["value"] == 0x0203
    moved = run_benchimage("layout", "show", layout, "--image", image, "--base", "0")
    assert moved.returncode == 1


def test_show_draws_the_map_in_80_columns(layout: Path, image: Path) -> None:
    done = run_benchimage("layout", "show", layout, "--image", image, COLUMNS="80")
    assert done.returncode == 0
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "Map, one letter for 1 byte:" in done.stdout
    assert f"-> {VIN}" in done.stdout
    assert "protected: not shown" in done.stdout


def test_show_document_has_every_key_of_the_layout(layout: Path) -> None:
    done = run_benchimage("layout", "show", layout, "--json")
    document = parse_document(done, "layout-show")
    assert done.returncode == 0
    assert document["image"] is None
    flags = next(region for region in document["regions"] if region["name"] == "setup flags")
    assert flags == {
        "name": "setup flags",
        "start": 0x60,
        "end": 0x61,
        "kind": "state",
        "type": "bits",
        "stored_as": "plain",
        "copy_of": None,
        "blank_to": "0f",
        "bits": [
            {"name": "VIN was written", "high": 7, "low": 7},
            {"name": "tries", "high": 6, "low": 4},
            {"name": "spare", "high": 3, "low": 0},
        ],
    }
    assert document["checksums"][1]["covers"] == [
        {"start": 0xC0, "end": 0xC8},
        {"start": 0xC8, "end": 0xD0},
    ]
    assert document["gaps"][0] == {"start": 0, "end": 0x10}


def test_show_document_never_holds_protected_bytes(layout: Path, image: Path) -> None:
    done = run_benchimage("layout", "show", layout, "--image", image, "--json")
    fields = parse_document(done, "layout-show")["image"]["fields"]
    (keys,) = [field for field in fields if field["name"] == "keys"]
    assert (keys["value"], keys["state"]) == (None, "protected")
    assert bytes(range(0x40, 0x60)).hex() not in done.stdout


def test_unknown_chip_is_wrong_usage(layout: Path) -> None:
    done = run_benchimage("layout", "check", layout, "--chip", "24C05")
    assert done.returncode == 2
    assert "no chip is known as '24C05'" in done.stderr


def test_add_keeps_a_copy_once(layout: Path, tmp_path: Path) -> None:
    folder = tmp_path / "library"
    done = run_benchimage("layout", "add", layout, "--json", BENCHIMAGE_LAYOUTS=str(folder))
    document = parse_document(done, "layout-add")
    assert done.returncode == 0
    assert document["path"] == str(folder / "door.toml")
    assert (folder / "door.toml").read_text("utf-8") == LAYOUT
    again = run_benchimage("layout", "add", layout, BENCHIMAGE_LAYOUTS=str(folder))
    assert again.returncode == 3
    assert [path.name for path in folder.iterdir()] == ["door.toml"]


def test_add_of_an_unreviewed_layout_says_that_blank_refuses_it(
    layout: Path, tmp_path: Path
) -> None:
    layout.write_text(LAYOUT.replace("reviewed = true", "reviewed = false"), encoding="utf-8")
    done = run_benchimage("layout", "add", layout, "--layouts", tmp_path / "new")
    assert done.returncode == 0
    assert "'blank' refuses it" in done.stderr


@pytest.mark.parametrize("command", [[], ["check"], ["show"], ["add"]])
def test_help_has_examples(command: list[str]) -> None:
    done = run_benchimage("layout", *command, "--help")
    assert done.returncode == 0
    assert "Examples:" in done.stdout
    assert "  benchimage layout " in done.stdout


@pytest.mark.parametrize(
    "path", sorted((ROOT / "test_images").glob("*.toml")), ids=lambda path: path.name
)
def test_layouts_of_the_test_images_are_valid(path: Path) -> None:
    done = run_benchimage("layout", "check", path)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("address", "byte", "words"),
    [
        (0x91, 0x3A, "Field 'made on' does not decode: a half byte is above nine."),
        (0x31, 0x99, "'VIN, inverted' does not hold the same as 'VIN, first', whose copy it is."),
    ],
)
def test_faulty_field_or_copy_alone_ends_with_1(
    layout: Path, image: Path, address: int, byte: int, words: str
) -> None:
    """No checksum speaks here."""
    as_bytes = 'type = "bytes"\nstored_as = "inverted"'
    text = LAYOUT.split("[[checksum]]")[0].replace('type = "vin"\nstored_as = "inverted"', as_bytes)
    layout.write_text(text, encoding="utf-8")
    data = bytearray(image.read_bytes())
    data[address] = byte
    image.write_bytes(data)
    for command in ("check", "show"):
        option = "--against" if command == "check" else "--image"
        done = run_benchimage("layout", command, layout, option, image)
        assert done.returncode == 1
        assert words in " ".join((done.stdout + done.stderr).split())
