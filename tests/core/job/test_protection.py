"""What a job protects is protected in whatever layout its images are shown by."""

from __future__ import annotations

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked
from memtool.core.image import Image
from memtool.core.job.events.kinds import NamedRegion
from memtool.core.job.protection import Guarded, hide_guarded
from memtool.core.layouts.fields import FieldState
from memtool.core.layouts.layout import FieldType, Layout, ModuleKind, Region, decode_fields
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span

IMAGE = Image.from_bytes(bytes(range(256)), base=0)
LAYOUT = Layout(
    name="a",
    chip="24C02",
    size=256,
    module=ModuleKind.BODY,
    regions=(
        Region(name="options", span=Span(0x10, 0x20), kind=RegionKind.STATE, type=FieldType.BYTES),
        Region(name="curve", span=Span(0x40, 0x48), kind=RegionKind.CALIBRATION),
    ),
    checksums=(
        ChecksumRule(
            name="sum",
            algorithm="SUM-16",
            covers=(Span(0, 8),),
            stored=Span(0x30, 0x32),
            byte_order="big",
            when_blanked=WhenBlanked.REFRESH,
        ),
    ),
)


def guard(start: int, end: int, kind: RegionKind = RegionKind.PROTECTED) -> Guarded:
    region = NamedRegion(name="keys", span=Span(start, end), kind=kind)
    return Guarded(region=region, layout="another")


def hidden_in(layout: Layout | None) -> list[tuple[int, int]]:
    assert layout is not None
    protected = layout.regions_of(RegionKind.PROTECTED)
    return [(region.span.start, region.span.end) for region in protected]


def test_a_region_that_another_layout_protects_is_hidden_as_a_whole() -> None:
    shown = hide_guarded(LAYOUT, [guard(0x1F, 0x24)])
    assert hidden_in(shown) == [(0x10, 0x20), (0x20, 0x24)]
    assert shown is not None
    fields = decode_fields(shown, IMAGE)
    assert {field.state for field in fields} == {FieldState.PROTECTED}
    assert all(field.value is None for field in fields)


def test_protected_bytes_around_and_between_regions_are_hidden() -> None:
    shown = hide_guarded(LAYOUT, [guard(0x3E, 0x4A), guard(0x3C, 0x42)])
    assert hidden_in(shown) == [(0x3C, 0x3E), (0x3E, 0x40), (0x40, 0x48), (0x48, 0x4A)]


def test_a_checksum_that_lies_in_a_protected_region_is_not_shown() -> None:
    shown = hide_guarded(LAYOUT, [guard(0x31, 0x38)])
    assert shown is not None
    assert shown.checksums == ()
    assert hidden_in(shown) == [(0x30, 0x32), (0x32, 0x38)]


def test_without_a_layout_what_the_job_protects_is_hidden_all_the_same() -> None:
    shown = hide_guarded(None, [guard(0x80, 0x90), guard(0x20, 0x24)])
    assert hidden_in(shown) == [(0x20, 0x24), (0x80, 0x90)]


def test_nothing_protected_leaves_the_layout_as_it_is() -> None:
    other = guard(0x10, 0x20, RegionKind.MODULE_IDENTITY)
    assert hide_guarded(LAYOUT, [other]) is LAYOUT
    assert hide_guarded(None, [other]) is None
