"""A built border from the fit to fit.json, and from there to the report's rows and the text of `fit`."""

from pathlib import Path

import numpy as np
import pytest

from rigwarp.as_built.describe.panels import Fold
from rigwarp.commands.fit_text import border_told, fold_told
from rigwarp.files.records import FitRecord
from rigwarp.jobs.results.fit import border_record
from rigwarp.reports.sections.table_map import border_rows
from rigwarp.table_map import Border
from rigwarp.table_map.borders.band import Band


def straight_border(*, told: bool) -> Border:
    """Down the picture at u = 100, built 4 to 6 pixels of a quarter of a millimetre beside it."""
    rows = np.arange(0.0, 200.0, 10.0)
    line_px = np.stack([np.full(20, 100.0), rows], axis=-1)
    offset_px = np.linspace(4.0, 6.0, 20)
    band = Band(
        zones=(0, 1),
        half_px=16.0,
        corner_px=np.array([60, 0]),
        distance_px=np.tile(np.arange(-40.0, 41.0), (200, 1)),
        edge_px=line_px,
        stretch=np.arange(20),
    )
    return Border(
        band=band,
        told=told,
        line_px=line_px,
        offset_px=offset_px,
        sigma_px=np.full(20, 0.3),
        bound_px=np.full(20, 0.01),
        offset_mm=0.25 * offset_px,
        line_mm=np.stack([np.zeros(20), 0.25 * rows, np.zeros(20)], axis=-1),
        jump_mm=np.full(20, 8.0),
        _terms=np.zeros(10),
    )


def test_a_border_reaches_the_report_with_its_numbers(tmp_path: Path) -> None:
    path = tmp_path / "fit.json"
    FitRecord(borders=(border_record(straight_border(told=True)),)).write(path)
    (record,) = FitRecord.read_any(path).borders
    assert record.zones == (0.0, 1.0)
    assert record.told
    assert record.offset_mm == pytest.approx(1.25)
    # closed form: 0.5 mm over 47.5 mm
    assert record.turned_deg is not None
    assert abs(record.turned_deg) == pytest.approx(np.degrees(np.arctan(0.5 / 47.5)))
    rows = dict(border_rows(record))
    assert rows["zones 0 and 1: beside the designed border by"].startswith("1.25")


def test_fit_says_where_the_border_is_or_that_nothing_tells() -> None:
    assert border_told(straight_border(told=True)) == (
        "1.25 mm beside the designed one on the mirror, turned by 0.60°, known to 0.3 projector px"
    )
    assert "as designed" in border_told(straight_border(told=False))


def test_fit_says_how_far_a_fold_is_off_the_design() -> None:
    assert fold_told(Fold(zones=(0, 1), opened_deg=0.02, sigma_deg=0.004)) == (
        "0.020° flatter than designed (1-sigma 0.004)"
    )
    assert "sharper" in fold_told(Fold(zones=(0, 1), opened_deg=-0.02, sigma_deg=0.004))
