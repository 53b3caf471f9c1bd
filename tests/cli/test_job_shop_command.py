"""`job shop`: who the shop is, and page one that says so."""

from __future__ import annotations

import io
import json
import subprocess
from pathlib import Path

from PIL import Image as Photo

from tests.command_line import parse_document, run_benchimage
from tests.workflow.jobs import new_bench


def run_in(
    place: Path, *arguments: str, cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a command with the shop's profile in `place`."""
    return run_benchimage(
        *arguments,
        cwd=cwd,
        BENCHIMAGE_SHOP=str(place),
        BENCHIMAGE_STORE=str(place.parent / "store"),
    )


def logo() -> bytes:
    picture = io.BytesIO()
    Photo.new("RGB", (30, 10), "grey").save(picture, "PNG")
    return picture.getvalue()


def test_the_shop_is_kept_shown_and_stands_on_page_one(tmp_path: Path) -> None:
    place = tmp_path / "shop"
    nothing = parse_document(run_in(place, "job", "shop", "--json"), "job-shop")
    assert nothing["name"] is None
    (tmp_path / "logo.png").write_bytes(logo())
    done = run_in(
        place,
        *("job", "shop", "--name", "Amsel <b>& Söhne", "--address", "4 Mill Lane"),
        *("--address", "Oberau", "--logo", str(tmp_path / "logo.png")),
    )
    assert done.returncode == 0, done.stderr
    # What is not given stays.
    done = run_in(place, "job", "shop", "--address", "5 Mill Lane", "--json")
    kept = parse_document(done, "job-shop")
    assert kept["name"] == "Amsel <b>& Söhne"
    assert kept["address"] == ["5 Mill Lane"]
    assert kept["logo_sha256"]
    bench = new_bench(tmp_path / "bench")
    (tmp_path / "shop").rename(bench.folder / "shop")
    place = bench.folder / "shop"
    bench.start()
    done = run_in(place, "report", "--no-pdf", "--job", "job", cwd=bench.folder)
    assert done.returncode == 0, done.stderr
    assert "names no shop" not in done.stderr
    facts = json.loads((bench.job / "reports" / "report-1.json").read_text())
    assert facts["workshop"] == {"name": "Amsel <b>& Söhne", "address": ["5 Mill Lane"]}
    page = (bench.job / "reports" / "report-1.html").read_text(encoding="utf-8")
    assert "Amsel &lt;b&gt;&amp; Söhne" in page
    assert page.index("5 Mill Lane") < page.index("<h1>")
    assert "data:image/png;base64," in page


def test_a_logo_that_is_no_picture_and_a_nameless_shop_are_refused(tmp_path: Path) -> None:
    place = tmp_path / "shop"
    (tmp_path / "logo.png").write_bytes(b"<svg onload='alert(1)'/>")
    done = run_in(place, "job", "shop", "--name", "A", "--logo", str(tmp_path / "logo.png"))
    assert done.returncode == 4
    assert "not a PNG or JPEG picture" in done.stderr
    done = run_in(place, "job", "shop", "--address", "4 Mill Lane")
    assert done.returncode == 2
    assert not (tmp_path / "shop" / "shop.json").exists()


def test_a_broken_profile_is_named_and_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "shop").mkdir()
    for content in ("{", "[]", '{"format": "benchimage.shop/9"}', '{"format": 1, "name": 2}'):
        (tmp_path / "shop" / "shop.json").write_text(content)
        done = run_in(tmp_path / "shop", "job", "shop")
        assert done.returncode == 4, content
        assert "shop.json" in done.stderr
        assert "Traceback" not in done.stderr


def test_a_logo_that_is_gone_or_was_damaged_is_one_sentence(tmp_path: Path) -> None:
    place = tmp_path / "shop"
    done = run_in(place, "job", "shop", "--name", "A", "--logo", str(tmp_path / "gone.png"))
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "gone.png" in done.stderr
    (tmp_path / "logo.png").write_bytes(logo())
    run_in(place, "job", "shop", "--name", "A", "--logo", str(tmp_path / "logo.png"))
    facts = json.loads((place / "shop.json").read_text())
    facts["logo"] = facts["logo"][:40]
    (place / "shop.json").write_text(json.dumps(facts))
    done = run_in(place, "job", "shop")
    assert done.returncode == 0
    assert "The shop's logo is left out" in done.stderr
    assert "'benchimage job shop --logo FILE'" in done.stderr
