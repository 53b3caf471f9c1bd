"""Pictures: well-formed SVG with words, drawn from what the map says, equal in black and white."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from memtool.core.image import Image
from memtool.core.reporting.memory_map import compute_entropy, compute_map, compute_marks, plan_map
from memtool.core.span import Span
from memtool.render import picture
from memtool.render.layout_map import SIGNS
from memtool.store.layout_files.layouts import parse_layout
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
        compute_marks(IMAGE, CHANGED, cells=32), title="Difference", name="two", differing=18
    ),
    "agreement": picture.agreement_strip(
        compute_marks(IMAGE, CHANGED, cells=32), title="Reads", name="three", reads=3
    ),
    "entropy": picture.entropy_strip(
        compute_entropy(IMAGE, cells=32), title="Information", name="four"
    ),
}


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


def test_map_names_each_region_by_its_letter_and_tells_where() -> None:
    letters = {
        item.text
        for item in ElementTree.fromstring(drawn()).iter(f"{SVG}text")
        if (item.get("class") or "").startswith("sign")
    }
    assert letters == {SIGNS[region.kind] for region in LAYOUT_OF.regions}
    words = picture.describe(drawn())
    assert "V, vehicle identity: 0x0010-0x0020, 0x0050-0x0060." in words
    assert "changed: 0x0010-0x0021" in words


def test_an_identity_that_is_gone_is_drawn_empty() -> None:
    gone = Image.from_bytes(blanked_memory(module_memory()))
    assert 'content-data kind-vehicle-identity dark"' in drawn()
    assert "kind-vehicle-identity dark" not in drawn(gone)


def test_text_from_outside_cannot_leave_its_place() -> None:
    made = picture.entropy_strip(
        compute_entropy(IMAGE, cells=4), title='</title><script>x</script>"\x1b', name="five"
    )
    root = ElementTree.fromstring(made)
    assert root.find(f".//{SVG}script") is None
    assert "\x1b" not in made
