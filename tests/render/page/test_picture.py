"""Pictures: well-formed SVG with words, drawn from what the map says, equal in black and white."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import compute_entropy, compute_map, compute_marks, plan_map
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.page import picture
from memtool.render.values import SIGNS
from tests.build import LAYOUT, blanked_memory, module_memory

SVG = "{http://www.w3.org/2000/svg}"
IMAGE = Image.from_bytes(module_memory())
LAYOUT_OF = parse_layout(LAYOUT)
PLAN = plan_map(IMAGE.spans, columns=16, most_rows=16)
CHANGED = [Span(0x10, 0x22)]


def drawn(image: Image = IMAGE) -> str:
    made = compute_map(image, PLAN, layout=LAYOUT_OF, marked=CHANGED)
    return picture.memory_map(made, title="A <map> & more", name="one", marks="changed")


PICTURES = {
    "map": drawn(),
    "difference": picture.difference_strip(
        compute_marks(PLAN, CHANGED), title="Difference", name="two", words="18 bytes differ."
    ),
    "agreement": picture.agreement_strip(
        compute_marks(PLAN, CHANGED), title="Reads", name="three", reads=3, places=1
    ),
    "entropy": picture.entropy_strip(compute_entropy(IMAGE, PLAN), title="Bits", name="four"),
}
SWATCHES = picture.map_key(
    compute_map(IMAGE, PLAN, layout=LAYOUT_OF, marked=CHANGED), marks="changed"
)


@pytest.mark.parametrize("name", PICTURES)
def test_every_picture_has_title_and_description_for_those_who_do_not_see_it(name: str) -> None:
    root = ElementTree.fromstring(PICTURES[name])
    assert root.get("role") == "img"
    title, words = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert words is not None
    assert title.text
    assert words.text
    assert root.get("aria-labelledby") == f"{title.get('id')} {words.get('id')}"
    assert picture.describe(PICTURES[name]) == f"{title.text}. {words.text}"


@pytest.mark.parametrize("name", PICTURES)
def test_every_picture_is_grey_and_inside_its_box(name: str) -> None:
    root = ElementTree.fromstring(PICTURES[name])
    width, height = (float(value) for value in (root.get("viewBox") or "").split()[2:])
    for item in root.iter():
        for colour in re.findall(r"#[0-9a-f]{6}", f"{item.get('fill')} {item.get('stroke')}"):
            assert len({colour[1:3], colour[3:5], colour[5:7]}) == 1
        if item.tag == f"{SVG}rect":
            left, top = float(item.get("x") or 0), float(item.get("y") or 0)
            assert 0 <= left <= left + float(item.get("width") or 0) <= width
            assert 0 <= top <= top + float(item.get("height") or 0) <= height
        assert item.get("style") is None


def signs_in(svg: str) -> set[str | None]:
    """The letters of the cells."""
    return {
        item.text
        for item in ElementTree.fromstring(svg).iter(f"{SVG}text")
        if (item.get("class") or "").startswith("sign")
    }


def held(image: Image) -> set[str]:
    """The letters of the regions that hold anything: told byte by byte."""
    return {
        SIGNS[region.kind]
        for region in LAYOUT_OF.regions
        if region.kind is RegionKind.PROTECTED or set(image.read(region.span)) - {0, 0xFF}
    }


def test_map_names_each_region_by_its_letter_and_tells_where() -> None:
    assert signs_in(drawn()) == held(IMAGE)
    words = picture.describe(drawn())
    assert "V, vehicle identity: 0x0010-0x0020, 0x0050-0x0060." in words
    assert "changed: 0x0010-0x0021" in words


def test_a_region_that_is_erased_or_zero_looks_erased_or_zero() -> None:
    gone = Image.from_bytes(blanked_memory(module_memory()))
    assert "V" in signs_in(drawn())
    assert 'content-data kind-vehicle-identity dark"' in drawn()
    assert "kind-vehicle-identity" not in drawn(gone)
    assert signs_in(drawn(gone)) == held(gone) - {"V"}
    assert "vehicle identity" not in picture.describe(drawn(gone))
    empty = Image.from_bytes(bytes([0xFF]) * 128 + bytes(128))
    assert signs_in(drawn(empty)) == {"P"}


def test_the_key_shows_each_cell_as_it_is_drawn_and_no_word_stands_for_a_shade() -> None:
    made = compute_map(IMAGE, PLAN, layout=LAYOUT_OF, marked=CHANGED)
    key = picture.map_key(made, made, marks="changed")
    words = [word for _, word in key]
    assert len(words) == len(set(words))
    assert {"vehicle identity", "data", "changed"} <= set(words)
    for swatch, word in key:
        root = ElementTree.fromstring(swatch)
        assert root.get("class") == "swatch"
        (cell,) = (item for item in root.iter(f"{SVG}rect") if item.get("class") != "mark")
        assert str(cell.get("class")) in drawn() or word == "changed"


def test_letters_print_in_seven_points_with_two_maps_on_a_sheet() -> None:
    # The sheet of the PDF: 17 mm margins and 7 mm between two pictures on A4 and Letter.
    made = compute_map(IMAGE, plan_map(IMAGE.spans, columns=32, most_rows=16), layout=LAYOUT_OF)
    svg = ElementTree.fromstring(picture.memory_map(made, title="x", name="x"))
    width = float((svg.get("viewBox") or "").split()[2])
    for sheet in (210.0, 215.9):
        column = (sheet - 2 * 17 - 7) / 2 / 25.4 * 72
        assert float(svg.get("font-size") or 0) * column / width >= 7


def test_text_from_outside_cannot_leave_its_place() -> None:
    made = picture.entropy_strip(
        compute_entropy(IMAGE, PLAN), title='</title><script>x</script>"\x1b', name="five"
    )
    root = ElementTree.fromstring(made)
    assert root.find(f".//{SVG}script") is None
    assert "\x1b" not in made
