"""`rigwarp view` on the sorting table at a fifth of its pixels: by its projector, and by a tablet where it has none."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_views import with_lens
from small_rig import make_small_rig
from view_mirrors import judged_mirrors
from whole_chain import true_camera

import rigwarp
from rigwarp.devices import open_virtual, open_virtual_view
from rigwarp.errors import DeviceError
from rigwarp.files import make_current, new_run, open_rig, write_camera, write_map, write_picture
from rigwarp.files.names import CAMERA_FILE, MAP_FILE, RESULTS
from rigwarp.jobs.progress import SILENT
from rigwarp.jobs.view.demo import against_truth, view_alone
from rigwarp.jobs.view.screen import photograph_screen
from rigwarp.simulation.view import DotPrint, ScreenPlace
from rigwarp.simulation.virtual_rig import VirtualCamera
from rigwarp.view import lit_by_projector

SHARE = 0.2
_SHEET = (
    'squares = [15, 9]\nsquare_mm = 25.0\nmarker_mm = 18.75\ndictionary = "DICT_5X5_250"\nruler_mm = [375.0, 225.0]'
)
_COARSE_SHEET = 'squares = [12, 5]\nsquare_mm = 50.0\nmarker_mm = 40.0\ndictionary = "DICT_4X4_50"'
"""The view's own, and one whose markers so few pixels still resolve."""
DOTS = DotPrint(columns=19, rows=8, pitch_mm=30.0, centre_mm=np.array([5.0, -4.0]), rotation_rad=0.05)


@pytest.fixture
def alone(tmp_path: Path) -> Path:
    """The camera's rig without a projector."""
    root = make_small_rig(tmp_path / "rig", "two-wings", share=SHARE)
    text = (root / "rig.toml").read_text(encoding="utf-8")
    (root / "rig.toml").write_text(view_alone(text.replace(_SHEET, _COARSE_SHEET)), encoding="utf-8")
    return root


def test_a_tablet_calibrates_a_view_alone(run: Callable[..., Any], alone: Path) -> None:
    """Two places, glass of 0.9 mm said to be 1.3, and a printed sheet; the answers lie where the virtual rays do."""
    tablet = alone / "tablet"
    code, out, _ = run("view", "trace", alone, "--json")
    assert code == 0
    assert 0.6 < json.loads(out)["cover"]["seen"] < 0.9
    size = ("--pixels", "800x400", "--pitch", "0.5", "--thickness", "7.6", "--glass", "1.3")
    assert run("view", "scan", alone, "--export", tablet, *size)[0] == 0
    places = [(0.0, 0.0, 0.0), (140.0, 6.0, 3.1)]
    laid = [ScreenPlace(centre_mm=np.array([x, y]), rotation_rad=turn) for x, y, turn in places]
    folder = open_rig(alone, without_projector=True)
    photograph_screen(SILENT, folder, tablet, laid)
    view = open_virtual_view(folder)
    write_picture(alone / "sheet.png", view.sheet_photo(folder.rig.view.target))
    assert run("view", "scan", alone, "--screen", tablet, "--sheet", alone / "sheet.png")[0] == 0
    code, out, err = run("view", "fit", alone, "--json")
    assert code == 0, err
    found = json.loads(out)
    assert set(found["view_map"]) >= {"n", "rms_mm", "p95_mm", "max_mm", "coverage"}
    assert [mirror["not_told"][:4] for mirror in found["as_built"]] == ["the ", "the "]
    assert found["screen"]["glass_sigma_mm"] < 0.28, "0.3 before; so few pixels tell little more"
    assert abs(found["screen"]["glass_mm"] - 0.9) < 2.0 * found["screen"]["glass_sigma_mm"]
    write_picture(alone / "dots.png", view.dots_photo(DOTS))
    code, out, err = run("view", "verify", alone, alone / "dots.png", "--dots", DOTS.pitch_mm, "--json")
    assert code == 0, err
    dots = json.loads(out)["verification"]
    assert dots["n"] > 50
    assert dots["p95_mm"] < 0.25
    assert dots["z_spread"] < 1.3
    view = rigwarp.load_view(alone)
    truth = against_truth(view.map, open_virtual_view(folder).true_map())
    assert truth["p95_mm"] < 0.25  # a pixel is 2.2 mm here: five times what the full picture has
    assert truth["coverage"] > 0.4
    assert truth["z_spread"] < 1.3
    pixels = view.pixels(np.array([[200.0, 50.0], [-200.0, 50.0]]))
    assert np.isnan(pixels[0][1]).all()
    place, sigma = view.points(pixels[0][0])
    np.testing.assert_allclose(place, [200.0, 50.0], atol=1e-3)
    assert 0.0 < sigma < 0.5


def test_the_projector_calibrates_the_view(run: Callable[..., Any], tmp_path: Path) -> None:
    """Its map is taken from the virtual rig, as if it had been fitted."""
    root = make_small_rig(tmp_path / "rig", "two-wings", share=SHARE)
    folder = open_rig(root)
    code, _, err = run("view", "scan", root)
    assert code == 3
    assert "rigwarp fit" in err
    with new_run(root / RESULTS, "fit", folder) as made:
        true = open_virtual(folder).true_map()
        known = replace(true, sigma_mm=np.where(true.answered, 0.02, np.nan))
        write_map(made / MAP_FILE, known, rig_hash=folder.rig_hash, scan="none")
    make_current(root, made)
    assert "was interrupted" in run("view", "scan", root, "--resume")[2]
    assert f"go on with: rigwarp view scan {root} --resume" in _stopped_scan(run, root)
    code, out, err = run("view", "scan", root, "--resume", "--json")
    assert code == 0, err
    assert len(json.loads(out)["scans"]) == len(list((root / "view_scans").iterdir())) == 1
    code, out, err = run("view", "fit", root)
    assert code == 0, err
    assert "view.mirror[1]: its shape is not told: the lens is not calibrated" in " ".join(out.split())
    lit = lit_by_projector(true, folder.rig.table)
    truth = against_truth(rigwarp.load_view(root).map, open_virtual_view(folder).true_map(), lit)
    assert truth["coverage"] >= 0.98
    assert 0.7 < truth["lit_share"] < 0.9
    assert "lies in no light of the projector" in " ".join(out.split())
    assert truth["rms_mm"] < 0.05
    assert truth["p95_mm"] < 0.10
    assert truth["z_spread"] < 1.3
    write_camera(root / CAMERA_FILE, true_camera(folder, open_virtual(folder)))
    with_lens(folder, seed=1)
    _mirrors_are_told(run, root)


def _mirrors_are_told(run: Callable[..., Any], root: Path) -> None:
    """Both bent wings: 90 and 60 um over their length were built, and no power is claimed."""
    code, out, err = run("view", "fit", root, "--json")
    assert code == 0, err
    told = json.loads(out)["as_built"]
    assert [one["mirror"] for one in told] == [0, 1]
    found = judged_mirrors(open_rig(root))
    for one, mirror in zip(found, told, strict=True):
        assert mirror["figure_rms_um"] == pytest.approx(one["told_um"])
        assert one["off_um"] < 0.7 * one["built_um"], "most of the bend is found"
        assert one["z"] < 2.5
    code, _, err = run("export", root, "--format", "mould", "--view-mirror", 0)
    assert code == 5
    assert "there is no fold to correct" in err, "a flat sheet has no mould; those that have one: test_export_mould"
    assert run("view", "report", root)[0] == 0
    page = next((root / "views").glob("*/report.html")).read_text(encoding="utf-8")
    assert "the mirror&#39;s radius against its distance from the camera" in page


def _stopped_scan(run: Callable[..., Any], root: Path) -> str:
    """A scan whose camera dies after twelve photographs: what was taken stays."""
    grab, taken = VirtualCamera.grab, []

    def fails(self: VirtualCamera) -> np.ndarray:
        if len(taken) == 12:
            raise DeviceError("the camera has stopped")
        taken.append(1)
        return grab(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(VirtualCamera, "grab", fails)
        code, _, err = run("view", "scan", root)
    assert code == 4
    return " ".join(err.split())


@pytest.mark.parametrize(
    ("given", "exit_code", "told"),
    [
        (("fly",), 2, "expected one of: trace, lens, scan, fit, verify, play, report"),
        (("fit", "--screen", "x"), 2, "belong to: rigwarp view scan"),
        (("scan", "--export", "x"), 2, "needs --pitch and --thickness"),
        (("scan", "--export", "x", "--pitch", "0.2", "--thickness", "7", "--pixels", "big"), 2, "width x height"),
        (("scan",), 3, "found a view and no projector"),
        (("scan", "--screen", "nowhere"), 3, "rigwarp view scan --export"),
        (("fit",), 3, "found no finished scan of the view"),
        (("fit", "--dots", "5"), 2, "--dots belongs to: rigwarp view verify"),
        (("fit", "--resume"), 2, "--resume is for scans by the projector"),
        (("scan", "--sheet", "notes.png"), 3, "notes.png: cannot be read as a picture"),
        (("scan", "--sheet", "nothing.png"), 3, "nothing.png: found no such file"),
        (("scan", "--screen", "."), 3, "screen.json: found no such file, expected one"),
        (("verify", "notes.png", "--dots", "20"), 3, "Make one with: rigwarp view fit"),
    ],
)
def test_what_cannot_be_is_told(run, alone: Path, given: tuple[str, ...], exit_code: int, told: str) -> None:
    (alone / "notes.png").write_text("no picture")
    held = sorted(alone.rglob("*"))
    words = (alone / word if word in ("notes.png", "nothing.png", ".") else word for word in given[1:])
    code, _, err = run("view", given[0], alone, *words)
    assert code == exit_code
    assert told in " ".join(err.split())
    assert len(err.strip().splitlines()) == 1
    assert sorted(alone.rglob("*")) == held, "nothing is lost, and nothing half made is left"


def test_a_view_that_sees_little_of_the_table_is_told(run: Callable[..., Any], alone: Path) -> None:
    """Of a table twenty times as large a twentieth is left."""
    text = (alone / "rig.toml").read_text(encoding="utf-8")
    larger = text.replace(
        '[table]\nshape = "rectangle"\nsize_mm = [680.0, 280.0]',
        '[table]\nshape = "rectangle"\nsize_mm = [2700.0, 1400.0]',
    )
    assert larger != text
    (alone / "rig.toml").write_text(larger, encoding="utf-8")
    code, out, _ = run("view", "trace", alone, "--json")
    assert code == 0
    (told,) = json.loads(out)["doubts"]
    assert "sees only 4.6 % of the table: check [view] and the [table] size" in told


def test_the_sheets_of_a_view_alone_are_its_own(run: Callable[..., Any], alone: Path, tmp_path: Path) -> None:
    code, out, err = run("targets", tmp_path / "sheets", "--rig", alone, "--json")
    assert code == 0, err
    assert {(*sheet["squares"], sheet["square_mm"]) for sheet in json.loads(out)["sheets"]} == {(12, 5, 50.0)}


def test_the_projectors_commands_refuse_a_view_alone(run: Callable[..., Any], alone: Path) -> None:
    code, _, err = run("fit", alone)
    assert code == 3
    assert "found a view and no projector" in " ".join(err.split())


def test_a_rig_without_a_view(run: Callable[..., Any], tmp_path: Path) -> None:
    root = make_small_rig(tmp_path / "rig", share=0.25)
    code, _, err = run("view", "trace", root)
    assert code == 3
    assert "found no [view]" in err


def test_a_missing_wing_is_named(run: Callable[..., Any], alone: Path) -> None:
    text = (alone / "rig.toml").read_text(encoding="utf-8")
    wing = text[text.index("[[view.mirror]]") : text.index("[[view.mirror]]", text.index("[[view.mirror]]") + 5)]
    (alone / "rig.toml").write_text(
        text.replace(wing, '[[view.mirror]]\nkind = "mesh"\nfile = "wing.stl"\n\n'), encoding="utf-8"
    )
    code, _, err = run("view", "trace", alone)
    assert code == 3
    assert "view.mirror[0].file" in err
    assert "wing.stl" in err
