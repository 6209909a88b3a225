"""Flat patterns of sheet mirrors against plane geometry, and their drawings read by other programs."""

import io
import re
import sys
import xml.etree.ElementTree as ET

import ezdxf
import numpy as np
import pytest

from rigwarp.as_built.describe.flat_sheet import FlatSheet, allowance_mm, flat_sheet
from rigwarp.as_built.describe.mould import Correction
from rigwarp.errors import InputError
from rigwarp.files.exports.workshop_drawing import CUT, SCORE, dxf_text, svg_text
from rigwarp.geometry import Array
from rigwarp.jobs.results.export_mould import drawn_sheet
from rigwarp.rig import Facet, Sheet
from rigwarp.tracing.surfaces.bent_panel import bent_panel
from rigwarp.tracing.surfaces.panel import flat_panel

LEFT = np.array([[-60.0, -40.0, 10.0], [0.0, -40.0, 0.0], [0.0, 40.0, 0.0], [-60.0, 40.0, 10.0]])
RIGHT = np.array([[0.0, -40.0, 0.0], [0.0, 40.0, 0.0], [60.0, 40.0, 10.0], [60.0, -40.0, 10.0]])  # the other way round
FLAP = np.array([[-60.0, 40.0, 10.0], [0.0, 40.0, 0.0], [0.0, 70.0, -12.0], [-60.0, 70.0, -2.0]])
RADIUS_MM, CHORD_MM = 400.0, 124.0


def folded(
    *corners: Array, side: int = 1, opened: tuple[float, float] = (0.3, 0.01), stock: Sheet | None = None
) -> FlatSheet:
    facets = [Facet(corners_mm=c, bend_radius_mm=None, bend_axis=None) for c in corners]
    panels = [flat_panel(facet, zone=i) for i, facet in enumerate(facets)]
    return flat_sheet(panels, side=side, opened_deg={(0, 1): opened}, share=0.8, correction=None, stock=stock)


@pytest.mark.parametrize(("k_factor", "of_t"), [(0.35, 0.55), (0.41, 0.64), (0.45, 0.71)])
def test_the_allowance_is_that_of_the_handbook(k_factor: float, of_t: float) -> None:
    """Machinery's Handbook, lengths of straight stock for bends of 90 degrees: 1.57 R + 0.55, 0.64 or 0.71 t."""
    sheet = Sheet(thickness_mm=2.0, fold_radius_mm=3.0, k_factor=k_factor)
    assert allowance_mm(90.0, sheet) == pytest.approx(1.57 * 3.0 + of_t * 2.0, abs=0.02)


@pytest.mark.parametrize("side", [1, -1])
def test_the_flat_is_as_long_as_the_neutral_axis_of_the_folded_sheet(side: int) -> None:
    """Two panels at 2 atan(1 / 6), their reflecting faces inside the fold or outside of it, rounded by two circles."""
    stock = Sheet(thickness_mm=3.0, fold_radius_mm=5.0, k_factor=0.4)
    sheet = folded(LEFT, RIGHT, side=side, opened=(0.0, 1.0), stock=stock)
    turn, wide = 2.0 * np.arctan2(10.0, 60.0), np.hypot(60.0, 10.0)
    reflecting_mm = 5.0 if side > 0 else 8.0  # towards +z the sheet folds towards the light
    straight = wide - reflecting_mm * np.tan(turn / 2.0)
    arc = np.linspace(0.0, turn, 2001)
    neutral = (5.0 + 0.4 * 3.0) * np.stack([np.sin(arc), np.cos(arc)], axis=-1)
    length = 2.0 * straight + float(np.linalg.norm(np.diff(neutral, axis=0), axis=1).sum())
    across = np.concatenate([piece.points_mm for piece in sheet.pieces])
    assert np.ptp(across, axis=0) == pytest.approx([length, 80.0], abs=1e-5)
    (fold,) = sheet.folds
    assert fold.taken_off_mm == pytest.approx(2.0 * wide - length, abs=1e-5)
    assert fold.ends_mm[:, 0] == pytest.approx(np.full(2, across[:, 0].mean()), abs=1e-9)  # in the middle of the bend
    words = [label.words for label in drawn_sheet(sheet, "Counter").labels]
    assert any(f"flat {abs(fold.taken_off_mm):.2f} mm" in line for line in words)
    assert any("inside radius 5 mm, neutral axis at 0.4" in line for line in words)


def test_a_sheet_that_is_not_told_has_no_allowance_and_says_so() -> None:
    sheet = folded(LEFT, RIGHT)
    assert sheet.folds[0].taken_off_mm is None
    assert any("sheet_mm under [mirror]" in label.words for label in drawn_sheet(sheet, "Counter").labels)


@pytest.mark.parametrize("side", [1, -1])
def test_a_bent_panel_is_unrolled_along_the_middle_of_its_sheet(side: int) -> None:
    """Its reflecting side of 400 mm radius is the outside of the bend, or the inside; the middle is 1 mm from it."""
    stock = Sheet(thickness_mm=2.0, fold_radius_mm=0.0, k_factor=0.41)
    arc = 2.0 * (RADIUS_MM - side * 1.0) * np.arcsin(CHORD_MM / 2.0 / RADIUS_MM)
    assert np.ptp(bent(410.0, side=side, stock=stock).pieces[0].points_mm, axis=0) == pytest.approx([arc, 80.0])


def bent(radius_mm: float, *, side: int = 1, stock: Sheet | None = None) -> FlatSheet:
    """A panel whose correction bends it from 400 mm to another radius."""
    sag = RADIUS_MM - np.sqrt(RADIUS_MM**2 - CHORD_MM**2 / 4.0)
    x, y = CHORD_MM / 2.0, 40.0
    corners = np.array([[-x, -y, -sag], [x, -y, -sag], [x, y, -sag], [-x, y, -sag]])
    panel = bent_panel(
        Facet(corners_mm=corners, bend_radius_mm=-RADIUS_MM, bend_axis=np.array([0.0, 1.0, 0.0])), zone=0
    )
    line = np.arange(-60.0, 61.0, 4.0)
    off = (1.0 / RADIUS_MM - 1.0 / radius_mm) * line[None, :] ** 2 / 2.0 + 0.01 * line[:, None]
    zone = np.zeros(off.shape, np.int16)
    correction = Correction(x_mm=line, y_mm=line, dz_mm=off, zone=zone, rms_um=0.0, largest_um=0.0)
    return flat_sheet([panel], side=side, opened_deg={}, share=0.8, correction=correction, stock=stock)


def test_panels_keep_their_size_and_lie_together_at_the_folds() -> None:
    """Unfolding moves each panel rigidly: edge lengths stay, and a panel of 60.83 mm lies on each side of the fold."""
    sheet = folded(LEFT, RIGHT, FLAP)
    wide = np.hypot(60.0, 10.0)
    for piece, corners in zip(sheet.pieces, (LEFT, RIGHT, FLAP), strict=True):
        lengths = [np.linalg.norm(edge[-1] - edge[0]) for edge in piece.edges_mm]
        assert lengths == pytest.approx(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).tolist())
    every = np.concatenate([sheet.pieces[0].points_mm, sheet.pieces[1].points_mm])
    assert np.ptp(every, axis=0) == pytest.approx([2.0 * wide, 80.0])
    assert {fold.zones for fold in sheet.folds} == {(0, 1), (0, 2)}
    assert [sum(piece.folded) for piece in sheet.pieces] == [2, 1, 1]


@pytest.mark.parametrize("side", [1, -1])
def test_a_fold_is_bent_further_by_its_share(side: int) -> None:
    """Two planes that rise by 10 in 60 on both sides of the fold: 2 atan(1 / 6), 0.3 degrees too flat as built."""
    fold = next(f for f in folded(LEFT, RIGHT, FLAP, side=side).folds if f.zones == (0, 1))
    design = 2.0 * np.degrees(np.arctan2(10.0, 60.0))
    assert fold.design_deg == pytest.approx(design)
    assert fold.built_deg == pytest.approx(design - 0.3)
    assert fold.bend_deg == pytest.approx(design + 0.24)
    assert fold.towards_light == (side > 0)


def test_a_fold_that_is_not_told_from_the_design_stays() -> None:
    (fold,) = folded(LEFT, RIGHT, opened=(0.3, 0.2)).folds
    assert fold.built_deg is None
    assert fold.bend_deg == fold.design_deg


def test_a_bent_panel_is_unrolled_and_its_curve_corrected() -> None:
    """Arc length 2 R asin(c / 2R); the correction's second derivative is the change of curvature."""
    sheet = bent(410.0)
    arc = 2.0 * RADIUS_MM * np.arcsin(CHORD_MM / 2.0 / RADIUS_MM)
    assert np.ptp(sheet.pieces[0].points_mm, axis=0) == pytest.approx([arc, 80.0])
    (curve,) = sheet.curves
    assert (curve.design_radius_mm, curve.radius_mm) == pytest.approx((-400.0, -410.0), abs=0.2)
    template = [stroke.points_mm for stroke in drawn_sheet(sheet, "bent").strokes if stroke.layer == CUT][-1]
    height = np.ptp(template[:121, 1])
    assert height == pytest.approx(410.0 - np.sqrt(410.0**2 - CHORD_MM**2 / 4.0), abs=0.01)


def test_the_svg_is_as_large_as_the_sheet() -> None:
    sheet = folded(LEFT, RIGHT)
    root = ET.fromstring(svg_text(drawn_sheet(sheet, "<Counter>")))
    width = float(root.get("width", "").removesuffix("mm"))
    assert root.get("viewBox", "").split()[2] == f"{width:.3f}"  # one unit is one millimetre
    lines = [
        (line.get("class"), np.array([p.split(",") for p in line.get("points", "").split()], float))
        for line in root.iter("{http://www.w3.org/2000/svg}polyline")
    ]
    bar = max(np.ptp(points[:, 0]) for name, points in lines if name == "NOTE")
    assert bar == pytest.approx(100.0, abs=1e-3)
    assert [np.linalg.norm(points[1] - points[0]) for name, points in lines if name == SCORE] == pytest.approx([80.0])
    assert sum(name == CUT for name, _ in lines) == 6
    words = " ".join("".join(text.itertext()) for text in root.iter("{http://www.w3.org/2000/svg}text"))
    assert re.search(r"bend by 19\.16° towards the light \(design 18\.92°, built 18\.62°\)", words)
    assert "<Counter>" in words


def test_the_dxf_is_read_by_its_library() -> None:
    document = ezdxf.read(io.StringIO(dxf_text(drawn_sheet(folded(LEFT, RIGHT), "Counter"))))
    assert document.units == ezdxf.units.MM
    assert document.audit().errors == []
    lines = document.modelspace().query("LWPOLYLINE")
    (score,) = [line for line in lines if line.dxf.layer == SCORE]
    (a, b) = score.get_points("xy")
    assert np.hypot(a[0] - b[0], a[1] - b[1]) == pytest.approx(80.0)
    assert sum(line.dxf.layer == CUT for line in lines) == 6


def test_without_the_library_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "ezdxf.filemanagement", None)
    with pytest.raises(InputError, match=r"rigwarp\[dxf\]"):
        dxf_text(drawn_sheet(folded(LEFT, RIGHT), "Counter"))
