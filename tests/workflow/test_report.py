"""`report` through real processes: what is written, said, left open, and masked."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from PIL import Image as Photo

from tests.build import DONOR_VIN, VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import ROOT, SCHEMAS, parse_document
from tests.needs import require
from tests.workflow.jobs import DONOR, ORIGINAL, Bench


def reports_of(bench: Bench) -> Path:
    return bench.job / "reports"


def facts_of(bench: Bench, name: str = "report-1") -> dict[str, Any]:
    """The JSON file of a report, valid by the published schema."""
    document: dict[str, Any] = json.loads((reports_of(bench) / f"{name}.json").read_text())
    schema = json.loads((SCHEMAS / "report.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)
    return document


def pdf_text(path: Path) -> str:
    """The words of a PDF, by poppler."""
    done = subprocess.run(
        [require("pdftotext"), "-layout", str(path), "-"],
        capture_output=True,
        check=True,
        text=True,
    )
    return done.stdout


def squeezed(text: str) -> str:
    """Without blanks and line ends, so that wrapping does not matter."""
    return re.sub(r"\s+", "", text)


@pytest.fixture(scope="module")
def _finished(_blanked: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = _blanked.copy_to(tmp_path_factory.mktemp("finished") / "bench")
    bench.write("back.bin", blanked_memory(DONOR))
    bench.write("finished.bin", module_memory(VEHICLE_VIN, options=bytes(16), starts=4712))
    for arguments in (
        ("check", "--stage", "before-writing"),
        ("check", "back.bin", "--stage", "after-writing"),
        ("check", "finished.bin", "--stage", "after-setup"),
    ):
        done = bench.in_job(*arguments)
        assert done.returncode in (0, 1), done.stderr
    return bench


@pytest.fixture
def finished(_finished: Bench, tmp_path: Path) -> Bench:
    """A job from the first read to a module that is set up."""
    return _finished.copy_to(tmp_path / "bench")


def test_report_writes_page_pdf_and_facts_of_a_finished_job(finished: Bench) -> None:
    done = finished.in_job("report")
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in reports_of(finished).iterdir()) == [
        "report-1.html",
        "report-1.json",
        "report-1.pdf",
    ]
    facts = facts_of(finished)
    assert facts["result"].startswith("The module is configured for this vehicle")
    assert VEHICLE_VIN in facts["identity_now"]
    assert "measured" in facts["identity_now"]
    assert {
        line["result"] for line in facts["proof"] if "Read after programming" in line["text"]
    } == {"pass"}


def test_page_and_pdf_say_every_fact_of_the_json(finished: Bench) -> None:
    finished.in_job("job", "note", "lamp off <b>&amp; done</b>")
    finished.in_job("report")
    facts = facts_of(finished)
    page = (reports_of(finished) / "report-1.html").read_text(encoding="utf-8")
    words = squeezed(re.sub(r"<[^>]+>", " ", page))
    words = words.replace("&lt;", "<").replace("&gt;", ">").replace("&#39;", "'")
    words = words.replace("&#34;", '"').replace("&amp;", "&")
    printed = squeezed(pdf_text(reports_of(finished) / "report-1.pdf"))
    told = [
        facts["result"],
        facts["identity_now"],
        *(row["value"] for row in facts["order"]),
        *facts["open_points"],
        *(line["text"] for line in facts["proof"]),
        *(note["text"] for note in facts["notes"]),
        *(entry["sha256"] for entry in facts["journal"]),
        *(file["sha256"] for module in facts["modules"] for file in module["files"]),
        *(check["text"] for stage in facts["stages"] for check in stage["checks"]),
        *(change["summary"] for change in facts["changes"]),
        *(change["sha256"] for change in facts["changes"]),
        facts["journal_sha256"],
    ]
    for text in told:
        assert squeezed(text) in words, text
        # Poppler puts a line's wrapped rest behind the cell beside it: look for its words.
        for word in text.split():
            assert squeezed(word)[:20] in printed, (word, text)


def first_sheet(bench: Bench, name: str = "report-1") -> str:
    """The words of the PDF's first sheet."""
    path = reports_of(bench) / f"{name}.pdf"
    command = [require("pdftotext"), "-layout", "-l", "1", str(path), "-"]
    return subprocess.run(command, capture_output=True, check=True, text=True).stdout


def test_page_one_is_for_the_customer(finished: Bench) -> None:
    said = finished.in_job(
        *("start", "--customer", "M. Fink", "--plate", "KX 41 MWT", "--technician", "R. Amsel"),
        *("--complaint", "door dead", "--original-serial", "SN-0001200-AA"),
        *("--donor-serial", "SN-0007732-AB", "--donor-source", "the river yard"),
        *("--donor-receipt", "77-310", "--old-module", "core"),
    )
    assert said.returncode in (0, 1), said.stderr
    finished.in_job("report")
    facts = facts_of(finished)
    assert facts["outcome"] == "done-with-open-points"
    assert [(row["role"], row["result"]) for row in facts["serials"]] == [
        ("original", "pass"),
        ("donor", "fail"),
    ]
    words = re.sub(r"\s+", " ", first_sheet(finished))
    for text in (
        *("Done, with open points", "M. Fink", f"VIN {VEHICLE_VIN}, plate KX 41 MWT", "R. Amsel"),
        *("door dead", "What was done, and why", "SN-0001200-AA", "returned as a core"),
        *("the river yard; receipt", "It still carries this vehicle's VIN"),
        *("the vehicle's VIN plates were not touched", "Checks on files are no safety release."),
        *("Signed by the technician", "Technician, date", "Customer, date", "page 1 of"),
    ):
        assert text in words, text
    assert re.search(r"date \d{1,2} [A-Z][a-z]+ 20\d\d order 7", words)
    for text in ("journal", "SHA-256", "earthed", "supply"):
        assert text not in words, text


def test_a_failure_looks_like_none_of_the_others(blanked: Bench) -> None:
    blanked.write("back.bin", DONOR)
    assert blanked.in_job("check", "back.bin", "--stage", "after-writing").returncode == 1
    blanked.in_job("report")
    assert facts_of(blanked)["outcome"] == "not-done"
    words = first_sheet(blanked)
    assert "Not done" in words
    assert "does not hold what was to be programmed" in re.sub(r"\s+", " ", words)
    page = (reports_of(blanked) / "report-1.html").read_text(encoding="utf-8")
    assert '<div class="outcome not-done">' in page


def test_no_letter_of_the_pdf_is_smaller_than_seven_points(finished: Bench) -> None:
    finished.in_job("report")
    # Poppler names each size that occurs, here in thirds of a point.
    command = [require("pdftohtml"), "-xml", "-stdout", "-i", "-zoom", "3"]
    done = subprocess.run(
        [*command, str(reports_of(finished) / "report-1.pdf")],
        capture_output=True,
        check=True,
        text=True,
    )
    sizes = [int(size) for size in re.findall(r'<fontspec id="\d+" size="(\d+)"', done.stdout)]
    assert sizes
    assert min(sizes) >= 3 * 7


def test_report_asks_at_a_terminal_for_what_page_one_lacks(finished: Bench) -> None:
    import pexpect

    child = pexpect.spawn(
        sys.executable,
        ["-m", "memtool", "report", "--no-pdf", "--job", "job"],
        cwd=finished.folder,
        env=os.environ
        | {"PYTHONPATH": str(ROOT), "BENCHIMAGE_STORE": str(finished.folder / "store")},
        encoding="utf-8",
        timeout=60,
    )
    for question, text in (
        ("old module's label", "SN-0001200-AA"),
        ("used module's label", ""),
        ("Receipt", "77-310"),
        ("Where is the old module", "in the bin"),
        ("Choose one of", ""),
        ("Where is the old module", "scrapped"),
    ):
        child.expect(question)
        if not question.startswith("Choose"):
            child.sendline(text)
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    page = (reports_of(finished) / "report-1.html").read_text(encoding="utf-8")
    for text in ("SN-0001200-AA: its memory says the same", "receipt 77-310", "was scrapped"):
        assert text in page


def test_report_gives_the_same_bytes_for_the_same_job(blanked: Bench) -> None:
    for _ in range(2):
        assert blanked.in_job("report").returncode == 0
    for suffix in ("html", "pdf", "json"):
        first, second = (
            (reports_of(blanked) / f"report-{number}.{suffix}").read_bytes() for number in (1, 2)
        )
        assert first == second, suffix
    blanked.in_job("job", "note", "one more thing")
    blanked.in_job("report", "--no-pdf")
    assert facts_of(blanked, "report-3") != facts_of(blanked)


def test_report_of_an_untouched_job_claims_nothing(started: Bench) -> None:
    started.in_job("report")
    facts = facts_of(started)
    assert facts["result"] == "The modules were read and backed up; nothing was changed."
    assert facts["identity_now"].startswith("Not known")
    assert facts["changes"] == []
    claims = {line["text"]: line["result"] for line in facts["proof"]}
    for claim in (
        "Read after programming, the module holds exactly the file.",
        "The file passed its check",
    ):
        found = [result for text, result in claims.items() if text.startswith(claim)]
        assert found == ["not-checked"]
    for stage in ("donor", "before writing", "after writing", "after setup"):
        assert f"The check '{stage}' was not made." in facts["open_points"]
    page = (reports_of(started) / "report-1.html").read_text(encoding="utf-8")
    assert "Not on record: file to program, read after programming." in page


def test_report_does_not_count_a_check_of_another_file_to_write(finished: Bench) -> None:
    assert finished.blank("--out", "again.bin", "--configuration").returncode == 0
    finished.in_job("report")
    facts = facts_of(finished)
    assert "not on record" in facts["result"]
    assert facts["identity_now"].startswith("Not known")
    stages = {stage["stage"]: stage for stage in facts["stages"]}
    assert stages["after-setup"]["verdict"] == stages["after-writing"]["verdict"] == "out-of-date"
    assert stages["after-setup"]["changed"] == ["the file to program"]
    read_back = next(line for line in facts["proof"] if "Read after programming" in line["text"])
    assert read_back["result"] == "out-of-date"
    assert "the file to program changed since" in read_back["source"]


def test_a_check_of_the_same_file_to_write_made_again_still_counts(finished: Bench) -> None:
    assert finished.blank("--out", "again.bin").returncode == 0
    finished.in_job("report")
    assert facts_of(finished)["result"].endswith("every check after setup passed.")


def test_report_says_reported_where_nothing_was_measured(blanked: Bench) -> None:
    blanked.in_job("check", "--stage", "after-setup", "--reported-vin", VEHICLE_VIN)
    blanked.in_job("report")
    facts = facts_of(blanked)
    assert "configured for this vehicle" not in facts["result"]
    assert "not measured" in facts["identity_now"]
    line = next(line for line in facts["proof"] if "After setup" in line["text"])
    assert "not measured" in line["source"]


HIDDEN = (
    DONOR_VIN,
    DONOR_VIN.lower(),
    DONOR_VIN[::-1],
    DONOR_VIN.encode().hex(),
    DONOR_VIN[::-1].encode().hex(),
    DONOR_VIN[-8:],
    DONOR_VIN[-6:],
)


def test_customer_copy_masks_the_donors_vin_wherever_it_stands(blanked: Bench) -> None:
    notes = [
        f"donor was {DONOR_VIN}",
        f"label says {DONOR_VIN.lower()}, serial {DONOR_VIN[-6:]}, tail {DONOR_VIN[-8:]}",
        f"hex {DONOR_VIN.encode().hex(' ')} and {DONOR_VIN[::-1].encode().hex()}",
        f"spelt {DONOR_VIN[:3]} {DONOR_VIN[3:9]}-{DONOR_VIN[9:]}; mirrored {DONOR_VIN[::-1]}",
    ]
    for note in notes:
        blanked.in_job("job", "note", note)
    blanked.write(f"codes-{DONOR_VIN}.txt", b"none")
    blanked.in_job("job", "attach", f"codes-{DONOR_VIN}.txt", "--caption", f"of {DONOR_VIN}")
    blanked.write(f"back-{DONOR_VIN}.bin", blanked_memory(DONOR))
    blanked.in_job("check", f"back-{DONOR_VIN}.bin", "--stage", "after-writing")
    blanked.in_job("report")
    texts = {
        name: (reports_of(blanked) / f"report-1.{name}").read_text(encoding="utf-8")
        for name in ("html", "json")
    }
    texts["pdf"] = pdf_text(reports_of(blanked) / "report-1.pdf")
    for name, text in texts.items():
        for hidden in HIDDEN:
            assert hidden not in squeezed(text), (name, hidden)
        assert VEHICLE_VIN in text
    facts = facts_of(blanked)
    assert facts["changes"][0]["removed"] == [DONOR_VIN[:3] + "•" * 14]
    identity = [edit for edit in facts["changes"][0]["edits"] if edit["kind"] != "state"]
    assert identity
    assert all(set(edit["old"]) == {"•"} for edit in identity)


def test_customer_copy_masks_the_donors_vin_before_anything_was_blanked(started: Bench) -> None:
    started.in_job("job", "note", f"donor was {DONOR_VIN}")
    started.in_job("report", "--no-pdf")
    page = (reports_of(started) / "report-1.html").read_text(encoding="utf-8")
    assert DONOR_VIN not in page
    assert DONOR_VIN[:3] + "•" * 14 in page


def test_shop_copy_shows_identities_in_full(blanked: Bench) -> None:
    blanked.in_job("report", "--shop", "--no-pdf")
    facts = facts_of(blanked, "shop-copy-1")
    assert facts["shop"] is True
    assert facts["changes"][0]["removed"] == [DONOR_VIN]
    old = "".join(edit["old"] for edit in facts["changes"][0]["edits"])
    assert DONOR_VIN.encode().hex() in old


def test_report_without_typst_writes_page_and_facts_and_says_so(
    blanked: Bench, tmp_path: Path
) -> None:
    (tmp_path / "sitecustomize.py").write_text("import sys\nsys.modules['typst'] = None\n")
    done = subprocess.run(
        [sys.executable, "-m", "memtool", "report", "--job", "job"],
        cwd=blanked.folder,
        env=os.environ
        | {
            "PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}",
            "BENCHIMAGE_STORE": str(blanked.folder / "store"),
        },
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert "benchimage[pdf]" in done.stderr
    assert sorted(path.suffix for path in reports_of(blanked).iterdir()) == [".html", ".json"]


def test_report_without_the_store_says_what_it_cannot_show(blanked: Bench) -> None:
    (blanked.folder / "store").rename(blanked.folder / "gone")
    done = blanked.in_job("report", "--no-pdf")
    assert done.returncode == 0, done.stderr
    images = {image["place"]: image for image in facts_of(blanked)["chips"][0]["images"]}
    assert images["donor"]["missing"]
    assert images["file to program"]["missing"] is None
    assert DONOR_VIN not in (reports_of(blanked) / "report-1.html").read_text(encoding="utf-8")


def test_report_does_not_show_a_copy_that_was_changed(blanked: Bench) -> None:
    copy = next((blanked.job / "files").glob("to-write-*"))
    copy.chmod(0o600)
    copy.write_bytes(bytes(256))
    blanked.in_job("report", "--no-pdf")
    images = {image["place"]: image for image in facts_of(blanked)["chips"][0]["images"]}
    assert images["file to program"]["missing"] == "the job's copy is not what the journal says"


def test_journal_can_be_checked_with_the_common_tools_that_are_named(blanked: Bench) -> None:
    blanked.in_job("report", "--no-pdf")
    facts = facts_of(blanked)
    lines = (blanked.job / "journal.jsonl").read_bytes().splitlines(keepends=True)
    count = len(facts["journal"])
    # hashlib stands for sha256sum; `head -n` and `cut -c 80-` are slices.
    assert hashlib.sha256(b"".join(lines[:count])).hexdigest() == facts["journal_sha256"]
    for entry, line in zip(facts["journal"], lines, strict=False):
        assert hashlib.sha256(line[79:]).hexdigest() == entry["sha256"]
    for before, after in zip(facts["journal"], facts["journal"][1:], strict=False):
        assert after["previous"] == before["sha256"]


def test_only_files_that_are_pictures_are_shown(blanked: Bench) -> None:
    picture = io.BytesIO()
    Photo.new("RGB", (40, 20), "grey").save(picture, "PNG")
    blanked.write("label.png", picture.getvalue())
    blanked.write("fake.png", b"<svg onload='alert(1)'/>")
    blanked.write("cut.jpg", b"\xff\xd8\xff\xe0\x00\x10JFIF")
    for name in ("label.png", "fake.png", "cut.jpg"):
        assert blanked.in_job("job", "attach", name).returncode == 0
    blanked.in_job("report")
    page = (reports_of(blanked) / "report-1.html").read_text(encoding="utf-8")
    assert page.count("<img ") == 1
    assert "data:image/png;base64," in page
    facts = facts_of(blanked)
    assert [item["media_type"] for item in facts["attachments"]] == ["image/png", None, None]
    assert facts["attachments"][1]["not_shown"] == "not a PNG or JPEG picture"
    assert facts["attachments"][2]["not_shown"] == "begins like a picture, but is not one"
    images = subprocess.run(
        [require("pdfimages"), "-list", str(reports_of(blanked) / "report-1.pdf")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert " 40 " in images.stdout
    assert " 20 " in images.stdout


def test_a_damaged_picture_does_not_cost_the_pdf(blanked: Bench) -> None:
    picture = io.BytesIO()
    Photo.effect_noise((64, 64), 90).save(picture, "PNG")
    data = picture.getvalue()
    blanked.write("bad.png", data[: len(data) // 2])
    blanked.in_job("job", "attach", "bad.png")
    done = blanked.in_job("report")
    assert "could not be drawn" in done.stderr
    assert (reports_of(blanked) / "report-1.pdf").exists()
    assert "cannot be drawn" in pdf_text(reports_of(blanked) / "report-1.pdf")


def test_hostile_texts_are_literal_in_page_and_pdf(blanked: Bench) -> None:
    hostile = '<img src=x onerror=alert(1)> #eval("1") $x$ `raw` *b* _i_ \\n @ref <label> [x](y)'
    blanked.in_job("job", "note", hostile)
    blanked.in_job("job", "note", "esc \x1b[31m rtl \u202e nul-less")
    blanked.in_job("report")
    page = (reports_of(blanked) / "report-1.html").read_text(encoding="utf-8")
    assert "<img src=x" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    printed = squeezed(pdf_text(reports_of(blanked) / "report-1.pdf"))
    assert squeezed(hostile) in printed
    assert "esc\\x1b[31mrtl\\u202e" in printed


def test_reads_that_differ_are_told_and_drawn(bench: Bench) -> None:
    other = bytearray(DONOR)
    other[0x33] ^= 0x10
    bench.write("d2.bin", bytes(other))
    bench.start()
    bench.in_job("report", "--no-pdf")
    facts = facts_of(bench)
    donor = next(image for image in facts["chips"][0]["images"] if image["place"] == "donor")
    assert donor["agree"] is False
    page = (reports_of(bench) / "report-1.html").read_text(encoding="utf-8")
    assert "The 2 reads differ in 1 place." in page
    assert "reads that DIFFER" in page


def test_differences_between_the_images_are_counted(finished: Bench) -> None:
    finished.in_job("report", "--no-pdf")
    images = {image["place"]: image for image in facts_of(finished)["chips"][0]["images"]}
    expected = sum(a != b for a, b in zip(DONOR, blanked_memory(DONOR), strict=True))
    assert images["file to program"]["differing_bytes"] == expected
    assert images["read after programming"]["differing_bytes"] == 0
    assert images["donor"]["differing_bytes"] == sum(
        a != b for a, b in zip(ORIGINAL, DONOR, strict=True)
    )


def test_report_prints_its_document_with_json(blanked: Bench) -> None:
    document = parse_document(blanked.in_job("report", "--no-pdf", "--json"), "report")
    assert document == facts_of(blanked)


def test_paper_is_what_was_asked_for(blanked: Bench) -> None:
    for number, (paper, size) in enumerate(
        (("a4", "595.276 x 841.89"), ("letter", "612 x 792")), 1
    ):
        assert blanked.in_job("report", "--paper", paper).returncode == 0
        path = reports_of(blanked) / f"report-{number}.pdf"
        told = subprocess.run(
            [require("pdfinfo"), str(path)], capture_output=True, text=True, check=True
        )
        assert size in told.stdout
        page = path.with_suffix(".html").read_text(encoding="utf-8")
        assert f"@page {{ size: {paper}; }}" in page


@pytest.mark.parametrize("reported", ["1" * 17, "?", "\x1b[31m\u202e VIN", "\ufffd" * 17])
def test_rubbish_that_a_scan_tool_reports_does_not_cost_the_report(
    blanked: Bench, reported: str
) -> None:
    blanked.in_job("check", "--stage", "after-setup", "--reported-vin", reported)
    done = blanked.in_job("report", "--no-pdf")
    assert done.returncode == 0, done.stderr
