"""Attached pictures: only what its own bytes prove to be one. Pillow writes the samples."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image as Sample

from memtool.core.report.photo import LARGEST_FILE, Picture, check_picture


def sample(kind: str, *, orientation: int | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    exif = Sample.Exif()
    if orientation is not None:
        exif[274] = orientation
    Sample.effect_noise((37, 21), 50).save(out, kind, exif=exif, **options)
    return out.getvalue()


def test_png_and_jpeg_tell_their_size() -> None:
    assert check_picture(sample("PNG")) == Picture(media_type="image/png", width=37, height=21)
    for options in ({}, {"progressive": True}, {"quality": 20}):
        found = check_picture(sample("JPEG", **options))
        assert found == Picture(media_type="image/jpeg", width=37, height=21)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_way_the_camera_was_held_is_read(orientation: int) -> None:
    found = check_picture(sample("JPEG", orientation=orientation))
    assert isinstance(found, Picture)
    assert found.orientation == orientation


@pytest.mark.parametrize("kind", ["GIF", "BMP", "TIFF", "WEBP"])
def test_other_kinds_are_listed_and_not_shown(kind: str) -> None:
    out = io.BytesIO()
    Sample.new("RGB", (8, 8)).save(out, kind)
    assert check_picture(out.getvalue()) == "not a PNG or JPEG picture"


def test_a_beginning_alone_makes_no_picture() -> None:
    for kind in ("PNG", "JPEG"):
        assert check_picture(sample(kind)[:20]) == "begins like a picture, but is not one"
    assert check_picture(b"\x89PNG\r\n\x1a\n<script>") == "begins like a picture, but is not one"


def test_what_is_too_large_is_not_shown() -> None:
    assert check_picture(sample("PNG") + bytes(LARGEST_FILE)) == "larger than 12 MiB"
    huge = bytearray(sample("PNG"))
    huge[16:24] = (60_000).to_bytes(4, "big") * 2
    assert check_picture(bytes(huge)) == "60000 x 60000 pixels are too many to draw"


@given(
    kind=st.sampled_from(["PNG", "JPEG"]),
    cut=st.integers(0, 400),
    noise=st.binary(max_size=40),
)
def test_no_damage_makes_it_raise(kind: str, cut: int, noise: bytes) -> None:
    check_picture(sample(kind)[:cut] + noise)
