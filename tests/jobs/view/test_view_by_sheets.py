"""A view by printed sheets alone: photographs, map, check and page, against flat mirrors in closed form."""

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from two_wings import small_wings

from rigwarp import load_view
from rigwarp.cli import main
from rigwarp.files import current_view
from rigwarp.files.view_file import read_view_map


def said(capsys, arguments, code=0):
    assert main([*map(str, arguments), "--json"]) == code
    return json.loads(capsys.readouterr().out)


def failed(capsys, arguments, code):
    assert main([*map(str, arguments)]) == code
    told = capsys.readouterr().err.strip()
    assert "\n" not in told
    return told


def fitted(capsys, rig, names):
    """The view by some photographs: what fit says, the map, and its distance from the truth."""
    sheets = [word for name in names for word in ("--sheet", rig / f"{name}.png")]
    scanned = said(capsys, ["view", "scan", rig, *sheets])
    told = said(capsys, ["view", "fit", rig])
    view, _ = read_view_map(current_view(rig) / "view.npz")
    exact = small_wings(2).view_map()
    same = (view.zone == exact.zone) & (view.zone >= 0)
    assert np.mean(view.zone[view.zone >= 0] == exact.zone[view.zone >= 0]) > 0.99
    return scanned, told, view, np.where(same[..., None], view.table_mm - exact.table_mm, np.nan)


def test_four_photographs(sheet_rig, capsys):
    """P95 to 0.25 mm where sheets lay, sigma that is true, and every sheet found mirrored over both wings."""
    scanned, told, view, off = fitted(capsys, sheet_rig, ("first", "turned", "left", "right"))
    assert [sheet["flipped"] for sheet in scanned["sheets"]] == [True] * 8
    assert told["view_map"]["n"] > 250
    near = view.measured & np.isfinite(off[..., 0])
    assert near.sum() > 0.8 * (view.zone >= 0).sum()
    assert np.percentile(np.linalg.norm(off[near], axis=-1), 95) <= 0.25
    z = off[near] / view.sigma_mm[near][:, None]
    assert 0.3 < np.sqrt(np.mean(z**2)) < 1.6, "one rig: neighbours share their error"
    assert 0.8 < told["view_map"]["z_spread"] < 1.25
    assert all("too few" in mirror["not_told"] for mirror in told["as_built"])
    v, u = (values[::997] for values in np.nonzero(near))
    pixels, exact = np.stack([u, v], axis=-1).astype(float), small_wings(2).view_map()
    there, sigma = load_view(sheet_rig).points(pixels, 60.0)
    z = (there - (exact.table_mm - 60.0 * exact.lean)[v, u]) / sigma[:, None]
    assert np.sqrt(np.mean(z**2)) < 1.6, "60 mm above the table the lean counts; one rig"
    assert np.median(sigma) > 1.5 * np.median(view.sigma_mm[v, u])


def test_check_page_and_library_after_it(sheet_rig, capsys):
    checked = said(capsys, ["view", "verify", sheet_rig, sheet_rig / "elsewhere.png"])
    found = checked["verification"]
    assert checked["verdict"] == "within tolerance"
    assert found["n"] > 80
    assert found["p95_mm"] <= 0.25
    assert found["sheets"][0]["centre_mm"] == pytest.approx([20.0, -30.0], abs=0.15)
    assert found["sheets"][0]["rotation_deg"] == pytest.approx(np.degrees(0.8), abs=0.05)
    text = Path(said(capsys, ["view", "report", sheet_rig])["report"]).read_text(encoding="utf-8")
    for words in ("within tolerance", "How aslant", "straight top view", "photographs of a printed sheet", "Cautions"):
        assert words in text
    assert "http:" not in text.replace("http://www.w3.org", "")
    assert "https:" not in text


def test_a_view_that_has_moved_is_out_of_tolerance(sheet_rig, capsys, tmp_path):
    """The camera pitched by what shifts its picture by two pixels up and shears it: exit 6, and what to do."""
    photo = cv2.imread(str(sheet_rig / "elsewhere.png"), cv2.IMREAD_GRAYSCALE)
    height, width = photo.shape
    pitch = np.float32([[1, 0, 0], [0, 1, -2], [0, 2e-5, 1]])
    cv2.imwrite(str(tmp_path / "moved.png"), cv2.warpPerspective(photo, pitch, (width, height)))
    assert main(["view", "verify", str(sheet_rig), str(tmp_path / "moved.png")]) == 6
    assert "have moved" in capsys.readouterr().err


def test_one_photograph_alone_owns_up_to_its_sigma(sheet_rig, capsys):
    _, told, view, off = fitted(capsys, sheet_rig, ("first",))
    seen = np.isfinite(off[..., 0])
    assert np.percentile(np.linalg.norm(off[view.measured & seen], axis=-1), 95) <= 0.5
    z = off[seen] / view.sigma_mm[seen][:, None]
    assert np.sqrt(np.mean(z**2)) < 2.0
    beside, near = seen & ~view.measured, view.measured
    assert beside.sum() > 0.2 * seen.sum()
    assert np.median(view.sigma_mm[beside]) > 1.5 * np.median(view.sigma_mm[near])
    assert any("lies beside all sheets" in caution for caution in told["cautions"])


def test_bad_photographs_are_told_in_one_line_and_nothing_is_lost(sheet_rig, capsys, tmp_path):
    runs = sorted(path.name for path in (sheet_rig / "view_scans").iterdir())
    photo = cv2.imread(str(sheet_rig / "first.png"), cv2.IMREAD_GRAYSCALE)
    wrong = {
        "empty": (np.full_like(photo, 90), 5, "seen in no mirror"),
        "small": (photo[:100, :200], 3, r"200 x 100 pixels, rig.toml says view.resolution = [960, 540]"),
        "flipped": (photo[:, ::-1].copy(), 5, "the board is seen as printed, the design sees it mirrored"),
    }
    for name, (picture, code, words) in wrong.items():
        path = tmp_path / f"{name}.png"
        cv2.imwrite(str(path), picture)
        told = failed(capsys, ["view", "scan", sheet_rig, "--sheet", path], code)
        assert words in told
        assert str(path) in told
    assert sorted(path.name for path in (sheet_rig / "view_scans").iterdir()) == runs
    copied = tmp_path / "copied.png"
    shutil.copy(sheet_rig / "first.png", copied)
    twice = ["--sheet", sheet_rig / "first.png", "--sheet", copied]
    told = failed(capsys, ["view", "scan", sheet_rig, *twice], 3)
    assert f"{copied}: found the same photograph as {sheet_rig / 'first.png'}" in told
    for arguments in (["verify", sheet_rig], ["lens", sheet_rig], ["fit", sheet_rig, "photo.png"]):
        failed(capsys, ["view", *arguments], 2)


def test_a_first_sheet_that_lies_elsewhere_is_told(sheet_rig, capsys, tmp_path):
    root = tmp_path / "rig"
    shutil.copytree(sheet_rig, root)
    assert main(["view", "scan", str(root), "--sheet", str(root / "turned.png")]) == 0
    before = current_view(root)
    capsys.readouterr()
    assert "the first sheet seems to lie around (60, 20) mm, turned by -171" in failed(capsys, ["view", "fit", root], 5)
    assert current_view(root) == before
