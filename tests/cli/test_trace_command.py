"""`rigwarp trace`: the design judged, its forecast, and the files it leaves."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from cad_exports import chamfer, mould
from rig_text import circle, rig_text

from rigwarp.files import open_rig
from rigwarp.files.shapes import write_stl
from rigwarp.jobs.design import design_model
from rigwarp.jobs.recognise import recognise_mirror
from rigwarp.scenarios import create_rig
from rigwarp.tracing import trace_map

PICTURES = {
    "pixel_grid.png", "mm_per_pixel.png", "brightness.png", "light_paths.png", "tolerances.png",
}  # fmt: skip


@pytest.fixture
def counter(tmp_path: Path) -> Path:
    """The folded counter with a small picture, so that drawing is quick."""
    create_rig("folded-counter", tmp_path / "rig")
    file = tmp_path / "rig" / "rig.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("[1280, 720]", "[320, 180]"), encoding="utf-8")
    return tmp_path / "rig"


def test_the_design_of_a_folded_mirror_as_data_and_in_words(run, counter):
    code, out, _ = run("trace", counter, "--json")
    assert code == 0
    found = json.loads(out)
    zones = found["light"]["zones"]
    assert [(z["zone"], z["name"]) for z in zones] == [(0, "facet 0"), (1, "facet 1")]
    # the halves are each other's mirror images, and all light of the upright projector meets one of them
    assert [z["light"] for z in zones] == pytest.approx([0.5, 0.5], abs=1e-9)
    assert found["light"]["reflected"] == pytest.approx(1.0)
    assert found["light"]["spill_on_content"] == 0.0
    assert found["coverage"]["lit_share"] > 0.999
    assert found["coverage"]["fold_px"] == 0
    assert found["export"] is None
    parts = {k["part"] for k in found["sensitivity"]}
    assert parts == {"projector", "mirror", "facet 0", "facet 1"}
    along_fold = next(k for k in found["sensitivity"] if (k["part"], k["name"]) == ("projector", "along y"))
    # the fold runs along the table's y: two mirrors leave a shift along it as it is
    assert along_fold["rms_mm_per_unit"] == pytest.approx(1.0, abs=1e-6)
    expected = found["forecast"]
    assert sum(c["share"] for c in expected["causes"]) == pytest.approx(1.0)
    assert expected["sentence"].startswith(f"As mounted, expect the picture to be off by {expected['p95_mm']:.2g} mm")
    assert {Path(p).name for p in found["pictures"]} == PICTURES
    assert all(Path(p).read_bytes().startswith(b"\x89PNG") for p in found["pictures"])
    assert Path(found["design"]).exists()
    # once more, for people: the same rig gets the same forecast
    text = run("trace", counter)[1]
    for words in (
        "piece of mirror", "facet 1", "content area lit", "mm per pixel, short side", "light turned over", "projector "
        "about x",
        "mirror rotation", "tolerances.png", expected["sentence"],
    ):  # fmt: skip
        assert words in text, words
    assert "e-1" not in text  # rounding errors are no figures


def test_shadows_and_spill_are_told(run, tmp_path):
    """The round table's projector sends light past its small mirror; upward, so that none of it spills."""
    create_rig("round-table", tmp_path / "rig")
    file = tmp_path / "rig" / "rig.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("[1280, 720]", "[320, 180]"), encoding="utf-8")
    code, out, _ = run("trace", tmp_path / "rig", "--json")
    assert code == 0
    found = json.loads(out)
    light = found["light"]
    lost = [light[k] for k in ("passes_mirror", "spill", "blocked_before", "blocked_after", "upward", "double_bounce")]
    assert light["reflected"] + sum(lost) == pytest.approx(1.0, abs=1e-9)
    assert sum(lost) == pytest.approx(found["coverage"]["light_lost"], abs=1e-9)
    assert light["passes_mirror"] > 0.1


def test_a_design_that_misses_the_content_is_drawn_all_the_same(run, counter):
    file = counter / "rig.toml"
    text = file.read_text(encoding="utf-8").replace("size_mm = [580.0, 250.0]", "size_mm = [40.0, 16.0]")
    text = text.replace("size_mm = [620.0, 300.0]", "size_mm = [6200.0, 3000.0]")
    file.write_text(text.replace("[content]", "[content]\ncentre_mm = [-2000.0, -1000.0]"), encoding="utf-8")
    code, out, _ = run("trace", counter)
    assert code == 0
    assert "No forecast" in out
    assert {p.name for p in (counter / "design_pictures").iterdir()} == PICTURES - {"tolerances.png"}


@pytest.mark.parametrize(
    ("right", "wrong", "named"),
    [
        ("throw_ratio = 1.2", "throw_ratio = 12", "throw_ratio"),
        ("radius_mm = 250.0", "radius_mm = -250.0", "radius_mm"),
        ("position_tolerance_mm", "position_tolerance_mm", ""),  # as it is
    ],
)
def test_there_is_no_forecast_from_nonsense(run, tmp_path, right, wrong, named):
    create_rig("round-table", tmp_path / "rig")
    file = tmp_path / "rig" / "rig.toml"
    text = file.read_text(encoding="utf-8").replace("[1280, 720]", "[160, 90]")
    assert right in text
    file.write_text(text.replace(right, wrong), encoding="utf-8")
    code, out, _ = run("trace", tmp_path / "rig", "--json")
    assert code == 0
    found = json.loads(out)
    assert bool(found["doubts"]) is bool(named)
    assert named in " ".join(found["doubts"])
    assert (found["forecast"] is None, found["sensitivity"] == []) == (bool(named), bool(named))
    assert (tmp_path / "rig" / "design_pictures" / "tolerances.png").exists() is not bool(named)


def test_a_content_area_of_few_pixels_is_no_wrong_mirror(run, counter):
    """A ball of 60 mm spreads the light so far that 130 pixels make up the content: those on its rim count whole."""
    (counter / "rig.toml").write_text(_BALL, encoding="utf-8")
    code, out, err = run("trace", counter, "--json")
    assert code == 0, err
    assert 1.05 < json.loads(out)["light"]["zones"][0]["content_share"] < 1.15


_BALL = rig_text(
    'kind = "conic"\nradius_mm = 60.0\nconic_constant = 0.0\naperture_mm = [0.0, 57.0]\nposition_mm = [0, 0, 0]',
    resolution=(160, 90),
    throw_ratio=0.5,
    projector="position_mm = [0, 0, -60]\nrotation_deg = [0, 0, 0]",
    table=f"{circle(500)}\nheight_mm = -600",
    content=f"{circle(100)}\npixels = [100, 100]",
)


@pytest.fixture
def moulded(tmp_path: Path) -> Path:
    """The round table with its paraboloid (R = 250 mm, rim towards +z) as an STL solid with a chamfer."""
    create_rig("round-table", tmp_path / "rig")
    file = tmp_path / "rig" / "rig.toml"
    text = file.read_text(encoding="utf-8").replace("[1280, 720]", "[160, 90]")
    lines = [line for line in text.splitlines() if not line.startswith(("radius_mm", "conic_constant", "aperture_mm"))]
    mesh = 'kind = "mesh"\nfile = "mould.stl"\nreflecting_side = "-z"'
    text = "\n".join(mesh if line.startswith('kind = "conic"') else line for line in lines)
    file.write_text(text, encoding="utf-8")
    solid = mould(lambda x, y: (x * x + y * y) / 500.0, half_mm=(40.0, 40.0), edge_mm=5.0, rim=chamfer(1.0, 45.0))
    write_stl(tmp_path / "rig" / "mould.stl", solid)
    return tmp_path / "rig"


def test_a_cad_mirror_is_recognised_and_its_lines_are_fit_to_paste(run, moulded):
    """The numbers that the file was made from come back: those of the round table's own rig.toml."""
    code, out, _ = run("trace", moulded, "--recognise")
    assert code == 0
    before, _, lines = out.partition("shades no light any more.\n\n")
    assert "conic" in before
    keys = tomllib.loads(lines.partition("\n  picture")[0])
    assert keys["kind"] == "conic"
    assert keys["radius_mm"] == pytest.approx(250.0, rel=1e-5)
    assert keys["conic_constant"] == pytest.approx(-1.0, abs=1e-3)
    assert keys["position_mm"] == pytest.approx([0.0, 60.0, 480.0], abs=1e-3)
    assert keys["rotation_deg"] == pytest.approx([-28.6, 0.0, 0.0], abs=1e-3)
    folder = open_rig(moulded)
    found = recognise_mirror(folder, trace_map(design_model(folder)))
    assert found.toml in out
    assert found.same
    assert found.moved_p95_mm < 0.001  # what the pasted lines do, by tracing them
    # the same share of light in both places, and as many digits
    (on_content,) = re.findall(r"light on the content +([\d.]+) %", out)
    assert f"of the projector's light lands on it instead of {on_content} %" in " ".join(out.split())
    assert found.light_on_content == pytest.approx(float(on_content) / 100, abs=0.002)


def test_only_a_cad_mirror_is_recognised(run, counter):
    code, _, err = run("trace", counter, "--recognise")
    assert code == 3
    assert "closed form already" in err
