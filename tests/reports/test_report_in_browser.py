"""The report in a real browser: nothing broken, nothing missing, nothing cut off, on a phone, a desktop and paper."""

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from browser import browser, console_messages, look_at_pages, run_browser

from rigwarp.files import open_rig
from rigwarp.reports import report
from rigwarp.reports.measures import table_raster
from rigwarp.reports.report import render_report, write_report
from rigwarp.reports.sections.page import page_template

PHONE_PX, DESKTOP_PX = 390, 1280
DARK = "--blink-settings=preferredColorScheme=0"
HOSTILE = """<img src="data:," alt="" onerror="harm()"><script>harm()</script>"""
READABLE = 4.5  # contrast of text, WCAG 2.1 success criterion 1.4.3


@pytest.fixture(scope="module")
def page(finished_once: Any) -> Path:
    """A complete report with real figures; coarse table cells save time and change no size."""
    browser()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(table_raster, "_CELLS_ACROSS", 50)
        return write_report(*finished_once)


def luminance(colour: str) -> float:
    """Relative luminance of "rgb(r, g, b)", as WCAG defines it."""
    channels = [int(n) / 255.0 for n in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(found: dict[str, Any]) -> float:
    bright, dark = sorted((luminance(found["colour"]), luminance(found["background"])), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_report_is_whole_on_phone_desktop_and_in_the_dark(page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    broken = text.replace("data:image/png;base64,iVBOR", "data:image/png;base64,AAAA", 1)
    broken = broken.replace("</h1>", '</h1><div style="width:2000px">x</div><script>console.error("oh"); no()</script>')
    seen = look_at_pages(
        tmp_path,
        {"phone": (text, PHONE_PX), "desktop": (text, DESKTOP_PX), "broken": (broken, PHONE_PX)},
    )
    for name, width in (("phone", PHONE_PX), ("desktop", DESKTOP_PX)):
        found = seen[name]
        assert found["width"] == width
        assert found["wrong"] == []
        assert found["missing"] == []
        assert found["pictures"] == text.count("<img ") >= 13
        assert found["needed"] <= width
        assert found["beyond"] == []
        assert found["scrolled"] == []
        assert contrast(found) > READABLE
        assert luminance(found["background"]) > 0.9
    # the same look finds what is wrong with a page that was broken on purpose
    assert any("oh" in word for word in seen["broken"]["wrong"])
    assert any("no is not defined" in word for word in seen["broken"]["wrong"])
    assert len(seen["broken"]["missing"]) == 1
    assert seen["broken"]["needed"] > PHONE_PX
    (dark,) = look_at_pages(tmp_path, {"dark": (text, PHONE_PX)}, DARK).values()
    assert luminance(dark["background"]) < 0.05
    assert contrast(dark) > READABLE


def test_no_text_of_a_rig_or_of_its_results_becomes_part_of_the_page(
    finished_once: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the look that says so finds it where the templates do not escape."""
    browser()
    folder, result = finished_once
    root = tmp_path / "rig"
    shutil.copytree(folder.root, root)
    hostile, verdict = root / result.relative_to(folder.root), {"failures": [HOSTILE], "not_proven": [HOSTILE]}
    told = {"fit": {"verdict": verdict}, "verification": {"verdict": verdict}, "as_built": {"unobservable": [HOSTILE]}}
    for name, more in told.items():
        path = hostile / f"{name}.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | more))
    name = re.search(r"(?m)^name = (.*)$", (root / "rig.toml").read_text())
    assert name is not None
    for path in (root / "rig.toml", hostile / "start.json"):
        quoted = json.dumps(HOSTILE) if path.suffix == ".toml" else json.dumps(json.dumps(HOSTILE))[1:-1]
        known = name[1] if path.suffix == ".toml" else json.dumps(name[1])[1:-1]
        assert known in path.read_text()
        path.write_text(path.read_text().replace(known, quoted))
    for path in hostile.glob("*.npz"):
        path.unlink()  # drawing pictures takes longest, and is not what is asked for
    pages = {}

    class BothWays:
        def __init__(self, name: str) -> None:
            self.escaped = page_template(name)
            self.raw = self.escaped.environment.overlay(autoescape=False).get_template(name)

        def render(self, **context: Any) -> str:
            pages["hostile"], pages["raw"] = self.escaped.render(**context), self.raw.render(**context)
            return pages["hostile"]

    monkeypatch.setattr(report, "page_template", BothWays)
    render_report(open_rig(root), hostile)
    assert HOSTILE not in pages["hostile"]
    assert pages["raw"].count(HOSTILE) >= 5  # title and head, two failures, what cannot be told
    seen = look_at_pages(tmp_path, {name: (text, DESKTOP_PX) for name, text in pages.items()})
    assert seen["hostile"]["wrong"] == []
    assert any("harm is not defined" in word for word in seen["raw"]["wrong"])


def test_the_browser_has_nothing_to_say_of_the_page_as_it_is(page: Path, tmp_path: Path) -> None:
    """Its content security policy included: the page may load nothing but the pictures that it carries."""
    assert console_messages(page) == []
    text = page.read_text(encoding="utf-8")
    calling = tmp_path / "calling.html"
    calling.write_text(text.replace("</h1>", '</h1><img src="http://192.0.2.1/x.png" alt="">', 1), encoding="utf-8")
    assert any("Content Security Policy" in said for said in console_messages(calling))


def test_on_paper_one_page_to_sign_comes_first_and_raw_numbers_stay_away(page: Path, tmp_path: Path) -> None:
    paper = tmp_path / "report.pdf"
    wordy = tmp_path / "wordy.html"  # as much is said of a mirror in the demo, more than of this rig's
    text, sentence = page.read_text(encoding="utf-8"), f"<p>{'a sentence on the mirror as it was built ' * 6}</p>"
    wordy.write_text(
        text.replace('<section id="summary">', f'<section id="summary">{sentence * 2}', 1), encoding="utf-8"
    )
    run_browser("--no-pdf-header-footer", f"--print-to-pdf={paper}", wordy.as_uri())  # on Letter, shorter than A4
    document = pypdfium2.PdfDocument(paper)
    sheets = [re.sub(r"\s+", "", sheet.get_textpage().get_text_bounded()) for sheet in document]
    document.close()
    assert len(sheets) <= 14
    for words in ("Harbourcharttable", "Inshort", "Whattherigasksfor", "Verdict", "Acceptedby", "Date"):
        assert words in sheets[0]
    assert "Acceptedby" not in "".join(sheets[1:])
    for words in ("Uncertainty", "Cautions", "Therigasitwasplanned"):
        assert any(words in sheet for sheet in sheets[1:])
    assert not any("position_tolerance_mm" in sheet for sheet in sheets)  # the rig file in full
