"""Reads that hold different VINs are not reads of one module."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.image import Image
from memtool.core.texts.vin import CheckDigitState, check_digit_state
from memtool.core.texts.vin_search import find_vins


def find_different_vins(images: Sequence[Image]) -> tuple[str, str] | None:
    """A VIN of one image that another lacks, and a VIN of that one which the first lacks.

    A VIN whose required check digit is wrong may be a flaw of one read and is no evidence.
    An image without any VIN says nothing.

    Returns:
        None where no two images hold different ones.
    """
    held = [sound_vins(image) for image in images]
    for index, first in enumerate(held):
        for second in held[index + 1 :]:
            ours, theirs = sorted(first - second), sorted(second - first)
            if ours and theirs:
                return ours[0], theirs[0]
    return None


def sound_vins(image: Image) -> frozenset[str]:
    """The VINs in an image, those left out whose required check digit is wrong."""
    return frozenset(
        vin.text
        for vin in find_vins(image)
        if check_digit_state(vin.text) is not CheckDigitState.INVALID
    )
