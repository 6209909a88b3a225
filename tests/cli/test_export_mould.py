"""`rigwarp export --format mould`: the corrected mould, read by trimesh and formed again in the simulation."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from small_rig import make_small_rig

from rigwarp.as_built import remove_rigid
from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import make_current, make_view_current, new_run, open_rig, write_json, write_npz
from rigwarp.jobs.design import design_model

RADIUS_MM = 250.0  # of the scenario's paraboloid: z = r^2 / (2 R), the light on the side of -z
LIT_MM = 40.0
SHARE = 0.8
LINE = np.arange(-LIT_MM, LIT_MM + 0.5)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """A rig whose current result holds the mirror as it was really built, by the simulation's own surface."""
    root = make_small_rig(tmp_path / "rig")
    write_result(root)
    return root


def true_height_um(root: Path) -> np.ndarray:
    """Built minus design towards the light, aligned, over the lit disk; its radius, clamping, dent and all."""
    virtual, (x, y) = open_virtual(open_rig(root)), np.meshgrid(LINE, LINE)
    along_z_um = 1000.0 * virtual.true_figure_mm(x, y)
    lit = np.hypot(x, y) < LIT_MM
    return remove_rigid(np.where(lit, -along_z_um, np.nan), LINE, LINE, design_model(open_rig(root)))


def write_result(root: Path, *, sigma_um: float = 1.0, power: bool = True) -> None:
    folder = open_rig(root)
    height = true_height_um(root)
    lit = np.isfinite(height)
    blank = np.where(lit, 0.0, np.nan)
    arrays = {
        "x_mm": LINE,
        "y_mm": LINE,
        "height_um": height,
        "height_sigma_um": np.where(lit, sigma_um, np.nan),
        "slope_x_mrad": blank,
        "slope_y_mrad": blank,
        "zone": np.where(lit, 0, -1).astype(np.int16),
    }
    with new_run(root / "results", "fit", folder) as run:
        write_npz(run / "as_built.npz", arrays, format="rigwarp as built", header={})
        numbers = {
            "power": {"determined": power},
            "sign": {"height": "+ towards the light", "reflecting_side_along_mirror_z": -1},
        }
        write_json(run / "as_built.json", numbers, format="rigwarp as built")
    make_current(root, run)


def export(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> tuple[dict[str, Any], str]:
    capsys.readouterr()
    assert main(["export", *(str(w) for w in words), "--format", "mould", "--json"]) == code
    told = capsys.readouterr()
    return (json.loads(told.out) if told.out else {}), told.err


def test_the_mould_takes_off_its_share_and_halves_the_error_when_formed_again(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Springback adds the same deviation to a mould that is nearly the same: built again = corrected + deviation."""
    file = tmp_path / "mould.stl"
    written, _ = export(capsys, rig, "--out", file, "--share", SHARE)
    mesh = trimesh.load_mesh(file)
    assert len(mesh.faces) == written["triangles"] > 1000
    assert written["closed"]
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    # trimesh's volume against the closed form: paraboloid of aperture a over a step of 1 mm, on the plate with its nose
    a, plate_mm = 45.0, 50.0
    body = np.pi * a**2 * (1.0 + a**2 / (4.0 * RADIUS_MM))
    assert mesh.volume == pytest.approx(body + 6.0 * (np.pi * plate_mm**2 + 36.0), rel=0.01)
    assert mesh.bounds[1, 1] == pytest.approx(plate_mm + 6.0, abs=0.5)  # the nose, towards +y
    assert mesh.bounds[0, 1] == pytest.approx(-plate_mm, abs=0.1)
    x, y, z = mesh.vertices.T
    on_mirror = np.abs(z - (x**2 + y**2) / (2.0 * RADIUS_MM)) < 1.0  # not the plate below it
    inside = (np.hypot(x, y) < 0.9 * LIT_MM) & on_mirror
    x, y, z = x[inside], y[inside], z[inside]
    moved_um = 1000.0 * (z - (x**2 + y**2) / (2.0 * RADIUS_MM))
    built_um = 1000.0 * open_virtual(open_rig(rig)).true_figure_mm(x, y)
    rigid = np.stack([np.ones_like(x), x, y], axis=-1)  # a gently curved mirror: heights of rigid motions, to 2 %

    def aligned(height: np.ndarray) -> np.ndarray:
        return height - rigid @ np.linalg.lstsq(rigid, height, rcond=None)[0]

    before, again = aligned(built_um), aligned(built_um + moved_um)
    share = -(before @ aligned(moved_um)) / (before @ before)
    assert share == pytest.approx(SHARE, abs=0.08)  # the dent, a tenth of the figure, is not the mould's
    assert np.std(again) < 0.5 * np.std(before)


@pytest.mark.parametrize(
    ("fold", "code"),
    [
        ({"zones": [0, 1], "opened_deg": 0.3, "sigma_deg": 0.01}, 0),
        ({"zones": [0, None], "opened_deg": 0.3, "sigma_deg": 0.01}, 3),
        ({"zones": [0, 1], "sigma_deg": 0.01}, 3),
    ],
)
def test_a_fold_is_bent_by_what_the_result_says_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], fold: dict[str, Any], code: int
) -> None:
    root = make_small_rig(tmp_path / "rig", "folded-counter")
    blank = np.zeros((2, 2))
    arrays = dict.fromkeys(("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad"), blank)
    arrays |= {"x_mm": np.arange(2.0), "y_mm": np.arange(2.0), "zone": blank.astype(np.int16)}
    with new_run(root / "results", "fit", open_rig(root)) as run:
        write_npz(run / "as_built.npz", arrays, format="rigwarp as built", header={})
        numbers = {"folds": [fold], "sign": {"reflecting_side_along_mirror_z": 1}}
        write_json(run / "as_built.json", numbers, format="rigwarp as built")
    make_current(root, run)
    written, said = export(capsys, root, code=code)
    if code:
        assert "as_built.json: folds." in said
        return
    (drawn,) = written["folds"]
    assert abs(abs(drawn["built_deg"]) - abs(drawn["design_deg"])) == pytest.approx(0.3)
    assert abs(abs(drawn["bend_deg"]) - abs(drawn["design_deg"])) == pytest.approx(SHARE * 0.3)


def test_a_power_that_is_not_told_is_refused(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_result(rig, power=False)
    _, said = export(capsys, rig, code=5)
    assert "--without-power" in said
    assert not list(rig.glob("**/*.stl"))
    export(capsys, rig, "--without-power")


def test_a_deviation_below_its_sigma_is_refused(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_result(rig, sigma_um=100.0)
    assert "do not correct the mould" in export(capsys, rig, code=5)[1]


def test_a_result_without_the_mirror_is_refused(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A scan that could not tell the mirror leaves a result without as_built.*."""
    folder = open_rig(rig)
    with new_run(rig / "results", "fit", folder) as run:
        pass
    make_current(rig, run)
    assert "as_built.npz" in export(capsys, rig, code=3)[1]


_AS_VIEW = """
[view]
resolution = [640, 360]
focal_px = 768.0                       # the projector's throw ratio of 1.2
position_mm = [0.0, -32.0, 403.0]
aim_mm = [0.0, 60.0, 480.0]

[[view.mirror]]
"""


def test_a_views_mirror_has_the_same_mould_as_if_a_projector_shone_over_it(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Light's way turned round: the camera in the projector's place, the same mirror and the same deviation."""
    text = (rig / "rig.toml").read_text(encoding="utf-8")
    mirror = text[text.index("[mirror]") + len("[mirror]") : text.index("[table]")]
    (rig / "rig.toml").write_text(text + _AS_VIEW + mirror, encoding="utf-8")
    folder, result = open_rig(rig), next((rig / "results").iterdir())
    with new_run(rig / "views", "view fit", folder) as run:
        shutil.copytree(result, run / "mirror-0", ignore=shutil.ignore_patterns("st*.json"))
    make_view_current(rig, run)
    ours, _ = export(capsys, rig, "--out", tmp_path / "ours.stl")
    views, _ = export(capsys, rig, "--view-mirror", 0)
    assert Path(views["file"]) == run / "mirror-0" / "corrected_mould.stl"
    assert views["correction_rms_um"] == pytest.approx(ours["correction_rms_um"])
    one, other = (trimesh.load_mesh(made["file"]) for made in (ours, views))
    assert other.is_watertight
    assert other.bounds == pytest.approx(one.bounds, abs=1e-3)
    assert other.volume == pytest.approx(one.volume, rel=1e-5)
    assert "rig.toml has [[view.mirror]] 0 to 0" in export(capsys, rig, "--view-mirror", 1, code=3)[1]
    shutil.rmtree(run / "mirror-0")
    assert "strays from its design is not told" in export(capsys, rig, "--view-mirror", 0, code=3)[1]
