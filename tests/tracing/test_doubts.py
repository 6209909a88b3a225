"""Slips of the pen in a rig file are named; rigs that make sense are left alone."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rigwarp.defaults import KINDS
from rigwarp.files import RigFolder, open_rig
from rigwarp.geometry import Placement
from rigwarp.reports.measures.coverage import judge_coverage
from rigwarp.rig.parse import rig_from_values
from rigwarp.scenarios import create_own_rig, create_rig, scenario_names
from rigwarp.tracing import build_model, trace_map
from rigwarp.tracing.coarse import coarse_path, content_lit, mirror_triangles
from rigwarp.tracing.doubts import doubts
from rigwarp.tracing.shadows import RayTracer


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> RigFolder:
    folder = tmp_path_factory.mktemp("rigs") / "round"
    create_rig("round-table", folder)
    return open_rig(folder)


def said(folder: RigFolder, text: str | None = None) -> str:
    values = tomllib.loads(text or folder.rig_text)
    return " ".join(doubts(values, rig_from_values(values), meshes=folder.meshes, profiles=folder.profiles))


@pytest.mark.parametrize(
    ("right", "wrong", "named"),
    [
        ("radius_mm = 250.0", "radius_mm = -250.0", "With mirror.radius_mm = 250 instead of -250"),
        ("[-28.6, 0.0, 0.0]", "[-0.4992, 0.0, 0.0]", "was it written in radians?"),
        ("[-28.6, 0.0, 0.0]", "[28.6, 0.0, 0.0]", "has its x the wrong sign?"),
        ("[0.0, -32.0, 403.0]", "[0.0, -0.032, 0.403]", "With projector.position_mm = [0, -32, 403]"),
        ("[0.0, 60.0, 480.0]       # of", "[0.0, 6.0, 48.0]       # of", "was it written in centimetres?"),
        ("throw_ratio = 1.2 ", "throw_ratio = 12 ", "With projector.throw_ratio = 1.2 instead of 12"),
    ],
)
def test_one_wrong_number_is_named(table: RigFolder, right: str, wrong: str, named: str) -> None:
    text = table.rig_text.replace(right, wrong)
    assert text != table.rig_text
    assert named in said(table, text)


def test_everything_in_metres_or_centimetres(table: RigFolder) -> None:
    """Light paths look the same at every scale: only the table's size tells."""
    rig = table.rig
    for factor, unit in ((1e-3, "metres"), (0.1, "centimetres")):
        small = replace(
            rig,
            table=replace(rig.table, size_mm=(500.0 * factor, 500.0 * factor)),
            content=replace(rig.content, size_mm=(480.0 * factor, 480.0 * factor)),
            projector=replace(rig.projector, placement=scaled(rig.projector.placement, factor)),
            mirror=replace(
                rig.mirror,
                shape=replace(rig.mirror.shape, radius_mm=250.0 * factor, aperture_mm=(0.0, 45.0 * factor)),
                placement=scaled(rig.mirror.placement, factor),
            ),
        )
        found = doubts({}, small, meshes={}, profiles={})
        assert f"is it in {unit}?" in found[0]


def test_a_table_of_a_kilometre_and_pixels_to_match(table: RigFolder) -> None:
    """A million millimetres are written out; with the mirror in its place and size the light is spread as far."""
    rig = table.rig
    size = (1e6, 1e6)
    wide = replace(rig, table=replace(rig.table, size_mm=size), content=replace(rig.content, size_mm=size))
    assert "the table is 1000000 mm across: is that meant?" in doubts({}, wide, meshes={}, profiles={})[0]
    high = replace(wide, mirror=replace(rig.mirror, placement=replace(rig.mirror.placement, position_mm=FAR_UP)))
    far = replace(high, projector=replace(rig.projector, placement=raised(rig.projector.placement)))
    said = doubts({}, far, meshes={}, profiles={})
    assert any("a projector pixel would be about" in one for one in said)
    assert any("m from the table's middle: is it in millimetres?" in one for one in said)


FAR_UP = np.array([0.0, 60.0, 480.0 + 1e6])


def raised(placement: Placement) -> Placement:
    return replace(placement, position_mm=placement.position_mm + np.array([0.0, 0.0, 1e6]))


def scaled(placement: Placement, factor: float) -> Placement:
    return replace(placement, position_mm=factor * placement.position_mm)


@pytest.mark.parametrize("scenario", scenario_names())
def test_the_scenarios_raise_no_doubts(tmp_path: Path, scenario: str) -> None:
    create_rig(scenario, tmp_path / "rig")
    assert said(open_rig(tmp_path / "rig")) == ""


@pytest.mark.parametrize("kind", KINDS)
def test_the_rigs_to_start_from_raise_no_doubts(tmp_path: Path, kind: str) -> None:
    create_own_rig(kind, tmp_path / "rig")
    folder = open_rig(tmp_path / "rig")
    assert said(folder) == ""
    assert folder.rig.camera.device == 0
    assert folder.rig.target.scale == (1.0, 1.0)
    assert not (tmp_path / "rig" / "virtual.toml").exists()


def test_the_coarse_path_is_the_design_to_some_mm(table: RigFolder) -> None:
    """Against the exact trace of the same pixels, and its share of the content area."""
    mirror = RayTracer(mirror_triangles(table.rig, {}, {}))
    model = build_model(table.rig, meshes={})
    pixels = np.array([[640.0, 360.0], [500.0, 300.0], [800.0, 500.0]])
    exact = model.trace(pixels).table_mm
    coarse = coarse_path(table.rig, mirror, pixels).table_mm[:, :2]
    assert np.abs(coarse - exact).max() < 8.0  # flat triangles of a mirror with R = 250 mm
    exact_share = judge_coverage(trace_map(model), table.rig).lit_share
    assert content_lit(table.rig, mirror)[0] == pytest.approx(exact_share, abs=0.05)


def test_a_small_content_area_is_not_missed(table: RigFolder) -> None:
    """20 mm in the middle of what is lit: between the rays that tell of half a metre."""
    small = replace(table.rig, content=replace(table.rig.content, size_mm=(20.0, 20.0)))
    assert content_lit(small, RayTracer(mirror_triangles(small, {}, {})))[0] == pytest.approx(1.0, abs=0.1)
