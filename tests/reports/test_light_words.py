"""Two figures of evenness for one table: which is computed, which measured, and why they differ."""

from types import SimpleNamespace

import pytest

from rigwarp.commands.console import Console
from rigwarp.commands.verify_text import _print_quality
from rigwarp.files.records.verification import DotsRecord, NineRecord, UniformityRecord
from rigwarp.reports.measures.coverage import Coverage, Spread
from rigwarp.reports.sections.verification import _light_table
from rigwarp.words import MEANINGS

EVEN = Spread(smallest=1.0, median=1.0, largest=1.0)
SHARES = ("lit_share", "measured_share", "doubled_share", "largest_dark_mm2", "dark_mm2", "flipped_share", "cell_mm")


def coverage() -> Coverage:
    """A lit table whose computed light falls to 0.51 at one place, 0.84 over nine."""
    return Coverage(
        **dict.fromkeys(SHARES, 0.0),
        dark_patches=0,
        fold_px=0,
        mm_per_pixel_long=EVEN,
        mm_per_pixel_short=EVEN,
        anisotropy=EVEN,
        evenness=0.51,
        nine_point_evenness=0.84,
        corner_to_centre=0.9,
        light_on_content=0.4,
        light_beside=0.035,
        light_lost=0.565,
    )


def test_each_row_of_light_says_whether_it_is_computed_or_measured(capsys: pytest.CaptureFixture[str]) -> None:
    rows = dict(coverage().rows())
    assert rows["computed light, darkest / brightest"] == "0.51"
    assert rows["  over nine points"] == "0.84"  # indented: of the computed light
    shares = [rows[name] for name in ("light on the content", "light beside it", "light elsewhere or lost")]
    assert [float(share.split()[0]) for share in shares] == [40.0, 3.5, 56.5]  # of one whole
    nine = SimpleNamespace(uniformity=0.725, corner_to_centre=0.752)
    quality = SimpleNamespace(light_before_gain=nine, light_after_gain=nine, modulations=[])
    _print_quality(Console(json=False), quality)
    said = capsys.readouterr().out
    assert "Measured light at nine points" in said
    assert "computed light" in MEANINGS
    assert "the falloff of projector and camera lens" in " ".join(said.split())  # why the two differ, beside it
    record = NineRecord(uniformity=0.725, corner_to_centre=0.752)
    table = _light_table(DotsRecord(uniformity=UniformityRecord(before_gain=record, after_gain=record)))
    assert table is not None
    assert table.note.startswith("Measured light")
    # the same figures, to the same digits
    assert [cell for row in table.rows for cell in row[1:]] == ["0.72", "0.75", "0.72", "0.75"]
    assert said.count("0.72 ") == 2
    assert said.count("0.75\n") == 2
