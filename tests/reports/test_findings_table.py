"""Findings in workshop words, as the report's chapter on the mirror has them; maps that leave no blank."""

import cv2
import numpy as np

from rigwarp.files.records import AsBuiltRecord
from rigwarp.reports.figures.mirror import deviation_map
from rigwarp.reports.figures.style import DPI, WIDTH_INCH
from rigwarp.reports.sections.as_built_facts import read_facts

FINDING = {
    "what": "astigmatism: 16.3 um rms (1-sigma 0.8)",
    "cause": "uneven clamping",
    "remedy": "clamp evenly",
    "moves_mm": 1.884,
    "prewarp": "the prewarp takes care of it",
}


def test_findings_say_what_they_move_and_that_causes_are_hints() -> None:
    table = read_facts(AsBuiltRecord.from_dict({"findings": [FINDING]})).findings
    assert table is not None
    assert [str(cell).replace("\N{NO-BREAK SPACE}", " ") for cell in table.rows[0]] == [
        FINDING["what"],
        "1.88 mm",
        FINDING["cause"],
        FINDING["remedy"],
        FINDING["prewarp"],
    ]
    assert sum("hint" in str(title) for title in table.head) == 2
    assert "not diagnoses" in table.note


def test_what_is_spread_is_not_said_to_be_moved() -> None:
    spread = {**FINDING, "effect": "spreads the light of a pixel to either side by"}
    moved = {**FINDING, "effect": "moves the picture by"}
    table = read_facts(AsBuiltRecord.from_dict({"findings": [spread, moved]})).findings
    assert table is not None
    cells = [str(row[1]).replace("\N{NO-BREAK SPACE}", " ") for row in table.rows]
    assert cells == ["spreads the light of a pixel to either side by 1.88 mm", "1.88 mm"]


def test_an_estimate_is_called_one() -> None:
    entry = {"estimate": True, "looked_for": True, "found": [{"zone": 0, "slope_rms_mrad": 1.5}], "from": "stripes"}
    (table,) = read_facts(AsBuiltRecord.from_dict({"fine_ripple": entry})).others
    assert "estimate" in str(table.head[0])
    assert any("1.5" in str(cell) for row in table.rows for cell in row)
    assert table.note == "Stripes."


def test_nothing_found_makes_no_table() -> None:
    assert read_facts(AsBuiltRecord.from_dict({"findings": []})).findings is None
    assert read_facts(AsBuiltRecord.from_dict({})).findings is None


def test_a_wide_mirror_leaves_no_blank() -> None:
    """A mirror four times as wide as deep gets the whole width; above it stands nothing but its title."""
    x, y = np.linspace(-80.0, 80.0, 81), np.linspace(-20.0, 20.0, 21)
    height = np.outer(y, x)
    wide = cv2.imdecode(np.frombuffer(deviation_map(x, y, height), np.uint8), cv2.IMREAD_COLOR)
    assert wide.shape[1] == WIDTH_INCH * DPI
    blank = (wide == 255).all(axis=(1, 2))
    assert np.argmin(blank) < 0.1 * wide.shape[0]  # rows above the map's title
    coloured = (np.ptp(wide.astype(int), axis=2) > 40).any(axis=0)
    assert np.flatnonzero(coloured)[-1] - np.flatnonzero(coloured)[0] > 0.75 * wide.shape[1]
