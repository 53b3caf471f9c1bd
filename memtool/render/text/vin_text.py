"""A VIN explained in lines for the terminal."""

from __future__ import annotations

from memtool.core.texts.vin import (
    VIN_LENGTH,
    CheckDigit,
    CheckDigitState,
    Vin,
    VinReport,
    explain_vin,
    fold_typed,
    is_well_formed,
)
from memtool.render.text.wrapping import wrap
from memtool.render.words import safe_text

_WIDTH = 80
_LABEL = 13
_LONGEST_HEADING = 60


def render_vin_report(report: VinReport) -> str:
    """The VIN, then one indented line for each thing it says; no line over 80 columns."""
    heading = safe_text(report.text)
    if len(heading) > _LONGEST_HEADING:
        heading = f"{heading[:_LONGEST_HEADING]}... ({len(report.text)} characters)"
    shape = "well formed" if report.well_formed else "not well formed"
    lines = [heading or "(empty text)", *_line("shape", shape)]
    if report.check_digit is not None:
        lines += _line("check digit", _check_digit_words(report.check_digit))
    if is_well_formed(report.text):
        lines += _section_lines(Vin(report.text), report)
    for problem in report.problems:
        lines += _line("note", safe_text(problem))
    return "\n".join(lines)


def tell_while_typed(typed: str) -> str:
    """What can be said of a VIN of which perhaps only the beginning is there; one line."""
    text = fold_typed(typed)
    if not text:
        return "17 characters"
    report = explain_vin(text)
    if len(text) != VIN_LENGTH or report.check_digit is None:
        others = [problem for problem in report.problems if str(VIN_LENGTH) not in problem]
        return f"{len(text)} of {VIN_LENGTH} characters" + "".join(f"; {each}" for each in others)
    return f"check digit {_check_digit_words(report.check_digit)}"


def _section_lines(vin: Vin, report: VinReport) -> list[str]:
    place = ", ".join(word for word in (report.country, report.world_region) if word)
    maker = vin.maker_code
    if vin.is_low_volume:
        maker = f"{maker[:3]} + {maker[3:]} (low-volume maker)"
    return [
        *_line("maker code", f"{maker}: {place}" if place else maker),
        *_line("attributes", vin.attributes),
        *_line("model year", _year_words(report.model_years)),
        *_line("plant", vin.plant_code),
        *_line("serial", vin.serial),
    ]


def _check_digit_words(digit: CheckDigit) -> str:
    if digit.state is CheckDigitState.VALID:
        return f"{digit.given}, matches"
    words = f"{digit.given}, does not match, {digit.expected} expected"
    if digit.state is CheckDigitState.NOT_REQUIRED:
        return f"{words}; not required for this maker code"
    return f"{words}; required for this maker code"


def _year_words(years: tuple[int, ...]) -> str:
    if not years:
        return "not given"
    if len(years) > 1:
        return " or ".join(str(year) for year in years)
    other = years[0] + (30 if years[0] < 2010 else -30)
    return f"{years[0]} (heavy vehicle, trailer, motorcycle: or {other})"


def _line(label: str, text: str) -> list[str]:
    first, *others = wrap(text, _WIDTH - _LABEL - 2)
    return [f"  {label:<{_LABEL}}{first}", *(" " * (_LABEL + 2) + line for line in others)]
