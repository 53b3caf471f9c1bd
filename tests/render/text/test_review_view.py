"""One guess as a screen: what it shows, what it hides, and that it fits."""

from __future__ import annotations

import click
import pytest

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.text.review_view import NamedImage, render_guess
from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory

SAMPLE: Layout = parse_layout(LAYOUT)
IMAGES = [
    NamedImage(name="reads/donor-1.bin", image=Image.from_bytes(module_memory(DONOR_VIN))),
    NamedImage(name="original", image=Image.from_bytes(module_memory(VEHICLE_VIN, starts=1))),
]


def screen(name: str, images: list[NamedImage] = IMAGES, *, height: int = 24) -> list[str]:
    comments = ["likely", "Each of the 2 configured modules holds a VIN here."]
    text = render_guess(SAMPLE, name, comments, images, place=2, total=9, height=height)
    return click.unstyle(text).split("\n")


def test_screen_shows_each_image_under_its_name_and_marks_what_differs() -> None:
    lines = screen("starts")
    donor = next(line for line in lines if "donor-1.bin" in line)
    original = next(line for line in lines if line.startswith("  original"))
    marks = next(line for line in lines if line.startswith("  differs"))
    assert donor.split()[1:5] == ["00", "00", "12", "67"]  # 4711
    assert original.split()[1:5] == ["00", "00", "00", "01"]
    assert [at for at in range(len(marks)) if marks[at] == "^"] == [
        at for at in range(donor.index("12 67"), donor.index("12 67") + 5) if donor[at] != " "
    ]


def test_a_vin_that_lies_inverted_is_shown_decoded_beside_its_bytes() -> None:
    layout = parse_layout(LAYOUT.replace('type = "vin"', 'type = "vin"\nstored_as = "inverted"', 1))
    span = layout.region_named("VIN").span  # type: ignore[union-attr]
    raw = bytes(code ^ 0xFF for code in DONOR_VIN.encode())
    image = IMAGES[0].image.with_bytes([(span.start, raw)])
    named = [NamedImage(name="donor", image=image)]
    text = render_guess(layout, "VIN", ["likely"], named, place=1, total=1)
    assert f"donor holds {DONOR_VIN}" in click.unstyle(text)


def test_screen_says_what_yes_and_no_would_do() -> None:
    text = " ".join(" ".join(screen("VIN")).split())
    assert "'blank' overwrites these 17 bytes with the erased value." in text
    assert "these bytes stay as they are" in text


def test_checksum_is_tried_on_every_image() -> None:
    broken = bytearray(module_memory(DONOR_VIN))
    broken[0x12] ^= 1
    images = [*IMAGES, NamedImage(name="broken", image=Image.from_bytes(bytes(broken)))]
    lines = screen("identity CRC", images)
    assert sum(line.endswith(": pass") for line in lines) == 2
    assert any(line.startswith("  broken") and ": fail, computed " in line for line in lines)


def test_protected_bytes_are_not_shown() -> None:
    secret = module_memory()[0x80:0x90]
    text = "\n".join(screen("access"))
    assert secret[:2].hex(" ").upper() not in text
    assert "not shown" in text


def test_address_that_an_image_does_not_define_is_shown_as_such() -> None:
    short = NamedImage(name="short", image=Image.from_bytes(module_memory()[:0x18]))
    lines = screen("VIN", [IMAGES[0], short])
    assert any(line.startswith("  short") and "--" in line for line in lines)


def test_name_of_an_image_cannot_act_on_the_terminal() -> None:
    odd = NamedImage(name="a\x1b[31m", image=IMAGES[0].image)
    assert "\x1b[31m" not in "\n".join(screen("VIN", [odd]))


@pytest.mark.parametrize("name", [region.name for region in SAMPLE.regions])
@pytest.mark.parametrize("count", [1, 2, 5])
def test_screen_and_question_fit_the_terminal(name: str, count: int) -> None:
    images = [IMAGES[number % 2] for number in range(count)]
    lines = screen(name, images)
    assert max(map(len, lines)) <= 80
    assert len(lines) + 1 <= 24
