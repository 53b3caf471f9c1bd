"""The customer file's PDF, judged by programs that did not make it.

* pdfua (PyPI) checks a part of PDF/UA-1 that can be checked by machine.
* qpdf checks the file's syntax.
* pikepdf reads what PDF/A-2a (ISO 19005-2) asks for, clause by clause below.

veraPDF, which judges all of PDF/A and PDF/UA, is in none of the registries used here.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pikepdf
import pytest

from memtool.core.report.photo import Picture, check_picture
from memtool.core.report.report import Outcome
from memtool.render.page.blocks import (
    Cell,
    Document,
    Facts,
    Figure,
    Figures,
    Heading,
    Items,
    Key,
    Letterhead,
    Look,
    Paragraph,
    Photo,
    Result,
    Row,
    Signatures,
    Table,
    code,
)
from memtool.render.page.html import Paper
from memtool.render.page.pdf import render_pdf
from tests.core.report.test_photo import sample
from tests.needs import require
from tests.render.page.test_picture import PICTURES, SWATCHES

ALPHABETS = "Zażółć gęślą jaźń; Łódź; Ærøskøbing; ŠŽČ; Ωμέγα; Имя: Иван Щукин; € “ok” … •"
HASH = "0b5b219c88c86c4ee6cb1911fa3fb42c3d7991cff3bd6286aaf12aff244fe9c6"


JPEG = sample("JPEG", orientation=6)
PNG = sample("PNG")


def _picture(data: bytes) -> Picture:
    found = check_picture(data)
    assert isinstance(found, Picture)
    return found


def document_of(*more: Paragraph) -> Document:
    """One of each block."""
    return Document(
        kind="Customer copy",
        title="Record of work",
        subject="Record of work, order 7",
        as_of="2026-11-25T08:59:08+01:00",
        foot="Job seven",
        letterhead=Letterhead("A shop", ("4 Mill Lane",), Photo(PNG, _picture(PNG), "a logo")),
        blocks=(
            Paragraph("All is well.", Look.RESULT),
            Heading("Facts"),
            Facts([("name", Cell(ALPHABETS)), ("sha256", code(HASH))]),
            Table(("a", "b"), [Row((Cell("x"), code("y" * 300)), HASH)], (1, 2)),
            Heading("Pictures", on_new_page=True),
            Heading("Below", 2),
            Figures([Figure(svg, name) for name, svg in PICTURES.items()]),
            Key(SWATCHES),
            Photo(JPEG, _picture(JPEG), "a label"),
            Photo(PNG, _picture(PNG), "another"),
            Items(["one", "two " + "z" * 400]),
            *more,
            Result(Outcome.NOT_DONE, "Not done", "It failed."),
            Signatures("What is signed.", ("Technician", "Customer")),
        ),
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rendered = render_pdf(document_of())
    assert rendered.reason is None
    assert rendered.notes == ()
    assert rendered.data
    path = tmp_path_factory.mktemp("pdf") / "record.pdf"
    path.write_bytes(rendered.data)
    return path


def test_pdfua_finds_nothing(made: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pdfua", "check", str(made)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "PASS" in done.stdout


def test_qpdf_finds_no_fault(made: Path) -> None:
    done = subprocess.run([require("qpdf"), "--check", str(made)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_it_claims_the_standards_it_was_made_for(made: Path) -> None:
    with pikepdf.open(made) as pdf, pdf.open_metadata() as metadata:
        assert metadata["pdfaid:part"] == "2"
        assert metadata["pdfaid:conformance"] == "A"
        assert metadata["pdfuaid:part"] == "1"
        assert metadata["dc:title"] == "Record of work, order 7"
        assert metadata["xmp:CreateDate"].startswith("2026-11-25T08:59:08")


def test_archival_needs_are_met(made: Path) -> None:
    with pikepdf.open(made) as pdf:
        root = pdf.Root
        # ISO 19005-2: 6.7.2 tagged, 6.7.4 language, 6.2.3 output intent, 6.1.3 no encryption,
        # 6.5.1 no action, 6.1.3 file identifier.
        assert root.MarkInfo.Marked
        assert "/StructTreeRoot" in root
        assert str(root.Lang).startswith("en")
        assert "/OutputIntents" in root or _uses_only_icc(pdf)
        assert not pdf.is_encrypted
        assert "/OpenAction" not in root
        assert "/AcroForm" not in root
        assert "/ID" in pdf.trailer
        for item in pdf.objects:
            if isinstance(item, pikepdf.Dictionary):
                assert item.get("/S") not in ("/JavaScript", "/Launch", "/URI")
                if item.get("/Type") == "/FontDescriptor":
                    # 6.2.11.4: every font is part of the file.
                    assert any(key in item for key in ("/FontFile", "/FontFile2", "/FontFile3"))


def _uses_only_icc(pdf: pikepdf.Pdf) -> bool:
    """No device colour without an output intent, ISO 19005-2 6.2.4.3."""
    return not any(
        name in page.Contents.read_bytes()
        for page in pdf.pages
        for name in (b" rg\n", b" RG\n", b" k\n")
    )


def test_each_picture_has_its_words(made: Path) -> None:
    with pikepdf.open(made) as pdf:
        words = [
            str(item["/Alt"])
            for item in pdf.objects
            if isinstance(item, pikepdf.Dictionary) and item.get("/S") == "/Figure"
        ]
    assert len(words) == len(PICTURES) + len(SWATCHES) + 3
    assert any(text.startswith("A <map> & more. 16 rows of 16 cells") for text in words)


def test_text_can_be_copied_out_as_it_was_put_in(made: Path) -> None:
    done = subprocess.run([require("pdftotext"), str(made), "-"], capture_output=True, text=True)
    words = "".join(done.stdout.split())
    assert "".join(ALPHABETS.split()) in words
    assert HASH in words
    assert "y" * 300 in words
    assert "z" * 400 in words


def test_nothing_runs_off_the_sheet(made: Path) -> None:
    done = subprocess.run(
        [require("pdftotext"), "-bbox", str(made), "-"], capture_output=True, text=True, check=True
    )
    for right in re.findall(r'xMax="([0-9.]+)"', done.stdout):
        assert float(right) <= 595.276 - 17 / 25.4 * 72 + 1


def test_same_document_gives_the_same_bytes() -> None:
    first, second = (render_pdf(document_of(), paper=Paper.LETTER).data for _ in range(2))
    assert first == second


def test_what_no_font_has_is_printed_as_its_number_and_said(tmp_path: Path) -> None:
    # Linear A, and a mountain: fonts of the system may have them or not.
    strange = "\U00010600山"
    rendered = render_pdf(document_of(Paragraph(strange)))
    assert rendered.data
    (tmp_path / "strange.pdf").write_bytes(rendered.data)
    done = subprocess.run(
        [require("pdftotext"), str(tmp_path / "strange.pdf"), "-"], capture_output=True, text=True
    )
    for character in strange:
        number = f"U+{ord(character):04X}"
        printed, told = character in done.stdout, any(number in note for note in rendered.notes)
        assert printed is not told
        assert told is (f"[{number}]" in done.stdout)
