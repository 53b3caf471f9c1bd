"""`inspect --html` and `compare --html` in a real browser, opened from a file."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from tests.browser.conftest import PHONE, Opener, Visit
from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory
from tests.command_line import run_benchimage
from tests.needs import require

HOSTILE = "</script x><img src=x onerror=alert(1)>&{{7*7}}"
ORIGINAL = "<img src=x onerror=alert(1)>.bin"
SECRET = bytes(range(0xE0, 0xF0))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two images, and the pages of them."""
    folder = tmp_path_factory.mktemp("pages")
    original = module_memory(VEHICLE_VIN, secret=bytes(range(0xD0, 0xE0)), options=bytes(16))
    (folder / "donor.bin").write_bytes(module_memory(secret=SECRET))
    # A name may hold anything but a slash: the end of a script is written in the layout.
    (folder / ORIGINAL).write_bytes(original)
    hostile = LAYOUT.replace('name = "options"', f"name = '{HOSTILE}'")
    (folder / "module.toml").write_text(hostile, encoding="utf-8")
    for arguments in (
        ("compare", "donor.bin", "<img src=x onerror=alert(1)>.bin", "--html", "compare.html"),
        ("inspect", "donor.bin", "--html", "inspect.html"),
    ):
        done = run_benchimage(*arguments, "--layout", "module.toml", cwd=folder)
        assert done.returncode in (0, 1), done.stderr
    return folder


@pytest.fixture
def compared(pages: Path, visit: Opener) -> Visit:
    """The comparison, no row folded."""
    seen = visit(pages / "compare.html")
    seen.page.uncheck("#fold")
    return seen


def focused(seen: Visit) -> str:
    """The id of what has the focus; its class or tag where it has none."""
    return str(
        seen.page.evaluate(
            "(() => { const at = document.activeElement;"
            " return at.id || at.className || at.tagName; })()"
        )
    )


def rows_of(seen: Visit) -> list[str]:
    return seen.page.locator("#rows .at").all_inner_texts()


def test_hostile_names_are_text_and_nothing_runs(compared: Visit) -> None:
    assert HOSTILE in compared.page.locator("#facts").inner_text()
    assert "<img src=x onerror=alert(1)>.bin" in compared.page.locator(".names").inner_text()
    assert compared.page.locator("img").count() == 0


def test_differing_bytes_are_marked_in_both_images(compared: Visit) -> None:
    marked = compared.page.locator('.cell.mark[data-at="64"]')
    assert marked.count() == 0
    a, b = module_memory(), module_memory(VEHICLE_VIN)
    expected = {address for address in range(0x10, 0x21) if a[address] != b[address]}
    for address in range(0x10, 0x21):
        count = compared.page.locator(f'.cell.mark[data-at="{address}"]').count()
        assert count == (2 if address in expected else 0), hex(address)


def test_filters_show_only_their_rows(compared: Visit) -> None:
    assert rows_of(compared) == [f"0x{address:04X}" for address in range(0, 256, 16)]
    compared.page.select_option("#filter", "marked")
    assert rows_of(compared) == ["0x0010", "0x0020", "0x0030", "0x0050", "0x0080"]
    compared.page.select_option("#filter", "identity")
    assert rows_of(compared) == ["0x0010", "0x0020", "0x0050", "0x0060"]
    compared.page.select_option("#filter", label="curve (0x00A0-0x00DF)")
    assert rows_of(compared) == ["0x00A0", "0x00B0", "0x00C0", "0x00D0"]


def test_search_finds_text_and_hex_and_steps_through(compared: Visit) -> None:
    compared.find(DONOR_VIN.lower())
    assert compared.told() == "1 of 1 in A"
    assert compared.status().startswith("0x0010;")
    compared.find("40 40", "hex")
    assert compared.told() == "Not found."
    compared.find("FFFFFF", "hex")
    assert re.match(r"1 of \d+ in A", compared.told())
    compared.page.press("#wanted", "Enter")
    assert compared.told().startswith("2 of ")
    compared.page.press("#wanted", "Shift+Enter")
    assert compared.told().startswith("1 of ")
    compared.find("4F3", "hex")
    assert "pairs" in compared.told()


def test_protected_bytes_are_not_in_the_page_and_cannot_be_found(
    pages: Path, compared: Visit
) -> None:
    compared.page.select_option("#filter", label="access (0x0080-0x008F)")
    cells = compared.page.locator(".cell").all_inner_texts()
    assert {text.strip() for text in cells} == {"··"}
    compared.page.locator(".cell").first.click()
    assert "protected: not shown" in compared.status()
    for wanted in (SECRET.hex(), bytes(4).hex()):
        compared.find(wanted, "hex")
        assert "0x008" not in compared.status() or compared.told() == "Not found."
    text = (pages / "compare.html").read_text(encoding="utf-8")
    assert SECRET.hex() not in text
    assert SECRET[:6].hex(" ") not in text
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text)
    assert found
    data = json.loads(found[1])
    import base64

    for image in data["images"]:
        ((start, content),) = image["segments"]
        assert start == 0
        assert base64.b64decode(content)[0x80:0x90] == bytes(16)


def test_stepping_counts_the_runs_that_are_listed(pages: Path, compared: Visit) -> None:
    listed = compared.page.locator("#facts h2:has-text('Differing runs') + .wide tbody tr").count()
    done = run_benchimage(
        "compare",
        *("donor.bin", "<img src=x onerror=alert(1)>.bin", "--layout", "module.toml", "--json"),
        cwd=pages,
    )
    assert len(json.loads(done.stdout)["runs"]) == listed
    assert f"in {listed} runs;" in compared.page.locator(".answer").first.inner_text()
    for _ in range(listed):
        compared.page.click("#after")
    assert compared.told() == f"{listed} of {listed}"


def test_jump_goes_to_the_address_and_says_where_there_is_none(compared: Visit) -> None:
    compared.go_to("0xA5")
    assert compared.status().startswith("0x00A5; A ")
    assert "in curve (calibration)" in compared.status()
    compared.go_to("16")
    assert compared.status().startswith("0x0010;")
    compared.go_to("0x9999")
    assert compared.told() == "0x9999 is not in the image."
    compared.go_to("12zz")
    assert "Write the address" in compared.told()


def test_jump_out_of_a_filter_shows_all_again(compared: Visit) -> None:
    compared.page.select_option("#filter", "identity")
    compared.go_to("0xA5")
    assert compared.page.input_value("#filter") == "all"
    assert compared.status().startswith("0x00A5")


def test_keys_move_the_selection_and_step_through_differences(compared: Visit) -> None:
    page = compared.page
    page.focus("#bytes")
    for key, address in (
        ("n", "0x0010"),
        ("ArrowRight", "0x0011"),
        ("ArrowDown", "0x0021"),
        ("ArrowUp", "0x0011"),
        ("ArrowLeft", "0x0010"),
        ("End", "0x00FF"),
        ("Home", "0x0000"),
    ):
        page.keyboard.press(key)
        where = compared.status().split(";")[0]
        if key == "n":
            # The first difference lies inside the VIN, where both begin with 1.
            assert where == "0x0011"
            page.keyboard.press("ArrowLeft")
            continue
        assert where == address, key
    page.keyboard.press("g")
    assert page.evaluate("document.activeElement.id") == "address"
    page.focus("#bytes")
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.id") == "wanted"


def test_click_on_the_map_and_on_a_place_selects_the_byte(compared: Visit) -> None:
    cell = compared.page.locator("#maps svg").first.locator('g[data-start="128"]')
    box = cell.bounding_box()
    assert box
    compared.page.mouse.click(box["x"] + box["width"] * 0.75, box["y"] + box["height"] / 2)
    picked = int(compared.status().split(";")[0], 16)
    assert 128 <= picked < 256
    compared.page.locator("button[data-jump='80']").first.click()
    assert compared.status().startswith("0x0050")
    assert compared.page.locator("#maps g.here").count() >= 1


def test_rows_without_a_difference_fold_and_open(pages: Path, visit: Opener) -> None:
    seen = visit(pages / "compare.html")
    a, b = (pages / "donor.bin").read_bytes(), (pages / ORIGINAL).read_bytes()
    unlike = {at // 16 for at in range(256) if a[at] != b[at]}
    folded = seen.page.locator(".fold")
    assert folded.count() == 1
    first = max(unlike) + 2
    assert f"0x{first * 16:04X}-0x00FF" in rows_of(seen)
    assert folded.inner_text() == f"{16 - first} rows without a difference: open"
    folded.click()
    assert rows_of(seen) == [f"0x{address:04X}" for address in range(0, 256, 16)]
    assert focused(seen) == "bytes"
    assert seen.status().startswith(f"0x{first * 16:04X};")
    # By keys: down onto the fold, Enter opens it; the box folds again.
    seen.page.uncheck("#fold")
    seen.page.check("#fold")
    seen.go_to(f"{first * 16 - 16}")
    seen.page.keyboard.press("ArrowDown")
    assert seen.status().endswith("Enter opens them")
    seen.page.keyboard.press("Enter")
    assert seen.page.locator(".fold").count() == 0
    # A search for what lies in a fold opens it.
    seen.page.uncheck("#fold")
    seen.page.check("#fold")
    seen.go_to("0xF8")
    assert seen.status().startswith("0x00F8;")
    assert seen.page.locator(".fold").count() == 0


def test_the_map_is_walked_by_keys_and_enter_goes_to_the_bytes(compared: Visit) -> None:
    page = compared.page
    box = page.locator("#maps .map-box").first
    box.focus()
    page.keyboard.press("ArrowRight")
    assert compared.status().startswith("0x0000;")
    row = page.locator("#maps svg").first.locator("g[data-start]").nth(1)
    step = int(row.get_attribute("data-start") or 0)
    columns = int(page.locator("#maps svg").first.get_attribute("data-columns") or 0)
    page.keyboard.press("ArrowDown")
    assert compared.status().startswith(f"0x{step:04X};")
    page.keyboard.press("ArrowRight")
    assert compared.status().startswith(f"0x{step + step // columns:04X};")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    assert compared.status().startswith(f"0x{step - step // columns:04X};")
    page.keyboard.press("ArrowUp")
    assert compared.status().startswith(f"0x{step - step // columns:04X};")
    assert page.locator("#maps .cursor").count() == 2
    assert "map-box" in focused(compared)
    page.keyboard.press("Enter")
    assert focused(compared) == "bytes"
    page.keyboard.press("Escape")
    assert "map-box" in focused(compared)


def test_focus_follows_the_click_and_arrows_move_on_from_there(compared: Visit) -> None:
    page = compared.page
    for place in ('button[data-jump="80"]', '#maps svg g[data-start="0"]', '.cell[data-at="18"]'):
        page.locator(place).first.click()
        assert focused(compared) == "bytes", place
        before = int(compared.status().split(";")[0], 16)
        page.keyboard.press("ArrowRight")
        assert int(compared.status().split(";")[0], 16) == before + 1
    page.locator('button[data-jump="80"]').first.click()
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.dataset.jump") == "80"


def test_escape_ends_a_search(compared: Visit) -> None:
    compared.find(DONOR_VIN)
    assert compared.page.locator(".cell.hit").count()
    compared.page.keyboard.press("Escape")
    assert compared.page.locator(".cell.hit").count() == 0
    assert compared.page.input_value("#wanted") == ""
    assert compared.told() == "The search is ended."
    assert focused(compared) == "bytes"


def test_few_stops_lead_through_the_page_and_the_first_skips_to_the_bytes(
    pages: Path, visit: Opener
) -> None:
    for name in ("compare.html", "inspect.html"):
        seen = visit(pages / name)
        stops = []
        for _ in range(40):
            seen.page.keyboard.press("Tab")
            if focused(seen) == "BODY":
                break
            stops.append(focused(seen))
        assert stops[0] == "skip"
        assert len(stops) <= 20, stops
        seen.page.locator(".skip").focus()
        seen.page.keyboard.press("Enter")
        assert focused(seen) == "bytes"


def test_a_list_is_one_stop_and_arrows_go_through_it(compared: Visit) -> None:
    buttons = compared.page.locator("#facts h2:has-text('Differing runs') + .wide button")
    assert buttons.count() > 2
    assert [each.get_attribute("tabindex") for each in buttons.all()][:2] == ["0", "-1"]
    buttons.first.focus()
    compared.page.keyboard.press("ArrowDown")
    assert buttons.nth(1).evaluate("button => button === document.activeElement")
    compared.page.keyboard.press("End")
    assert buttons.last.evaluate("button => button === document.activeElement")
    assert buttons.last.get_attribute("tabindex") == "0"


def test_inspect_page_lists_vins_fields_and_checksums(pages: Path, visit: Opener) -> None:
    seen = visit(pages / "inspect.html")
    facts = seen.page.locator("#facts").inner_text()
    for text in (DONOR_VIN, "reversed", "SN-0007731-AB", "CRC-16/IBM-3740", "protected: not shown"):
        assert text in facts
    assert seen.page.locator(".cell.mark").count() == 0
    assert seen.page.locator("#filter option[value=marked]").count() == 0


@pytest.mark.parametrize("name", ["compare.html", "inspect.html"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_that_weighs(pages: Path, visit: Opener, name: str, dark: bool) -> None:
    seen = visit(pages / name, dark=dark)
    seen.page.focus("#bytes")
    seen.page.keyboard.press("n")
    assert seen.find_faults() == []


@pytest.mark.parametrize("name", ["compare.html", "inspect.html"])
def test_a_phone_shows_all_bytes_without_scrolling_sideways(
    pages: Path, visit: Opener, name: str
) -> None:
    seen = visit(pages / name, size=PHONE)
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= 390
    view = seen.page.locator("#bytes").bounding_box()
    assert view
    for cell in seen.page.locator(".row").first.locator(".cell").all():
        box = cell.bounding_box()
        assert box
        assert box["x"] + box["width"] <= view["x"] + view["width"]
    assert rows_of(seen)[:2] == ["0x0000", "0x0008"]
    if name == "compare.html":
        # Both images, and each one alone.
        assert seen.page.locator(".row").first.locator(".strip").count() == 2
        for label in ("A", "B"):
            seen.page.select_option("#column", label=label)
            strips = seen.page.locator(".row").first.locator(".strip")
            assert strips.locator("em").all_inner_texts() == [label]
    assert seen.find_faults() == []


def printed(seen: Visit, folder: Path) -> str:
    """The words of a print, by poppler."""
    (folder / "print.pdf").write_bytes(seen.page.pdf(format="A4"))
    return subprocess.run(
        [require("pdftotext"), "-layout", str(folder / "print.pdf"), "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout


def test_a_print_has_all_rows_both_images_and_page_numbers(
    pages: Path, visit: Opener, tmp_path: Path
) -> None:
    seen = visit(pages / "compare.html", size=PHONE)
    seen.page.uncheck("#fold")
    words = printed(seen, tmp_path)
    for address in range(0, 256, 16):
        assert f"0x{address:04X}" in words
    for vin in (DONOR_VIN, VEHICLE_VIN):
        assert " ".join(vin[:8].encode().hex(" ").upper().split()) in re.sub(r" +", " ", words)
    assert "page 1 of" in words
    assert "Printed: all bytes." in words
    # After the print the page is as before.
    assert rows_of(seen)[:2] == ["0x0000", "0x0008"]
    seen.page.check("#fold")
    seen.page.select_option("#column", label="B")
    words = printed(seen, tmp_path)
    assert "rows without a difference are folded; B alone." in words


def test_a_print_says_what_it_leaves_out(tmp_path: Path, visit: Opener) -> None:
    (tmp_path / "a.bin").write_bytes(bytes(range(256)) * 256)
    done = run_benchimage("inspect", "a.bin", "--html", "page.html", cwd=tmp_path)
    assert done.returncode in (0, 1), done.stderr
    words = printed(visit(tmp_path / "page.html"), tmp_path)
    # 2,000 rows of 16 bytes: the first that is left out begins at 0x7D00.
    assert "left out from 0x7D00 on" in words
    assert "0x7CF0" in words


def test_large_images_stay_fluid(tmp_path: Path, visit: Opener) -> None:
    (tmp_path / "a.bin").write_bytes(bytes(1 << 20))
    (tmp_path / "b.bin").write_bytes(bytes((1 << 20) - 1) + b"\x01")
    done = run_benchimage("compare", "a.bin", "b.bin", "--html", "page.html", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    seen = visit(tmp_path / "page.html")
    assert seen.page.locator(".row").count() < 60
    seen.go_to("0xFFFFF")
    assert seen.status().startswith("0xFFFFF; A 00 = 0; B 01 = 1; differs")
    assert "0xFFFF0" in rows_of(seen)
    assert seen.page.locator(".row").count() < 60


def test_an_existing_page_is_refused_before_anything_is_done(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(bytes(16))
    (tmp_path / "page.html").write_text("mine")
    done = run_benchimage("inspect", "a.bin", "--html", "page.html", cwd=tmp_path)
    assert done.returncode == 3
    assert "page.html" in done.stderr
    assert (tmp_path / "page.html").read_text() == "mine"


def test_images_too_large_for_a_page_are_refused(tmp_path: Path) -> None:
    with (tmp_path / "a.bin").open("wb") as file:
        file.truncate((16 << 20) + 1)
    done = run_benchimage("compare", "a.bin", "a.bin", "--html", "page.html", cwd=tmp_path)
    assert done.returncode == 3
    assert "too many for a page" in done.stderr
    assert not (tmp_path / "page.html").exists()
