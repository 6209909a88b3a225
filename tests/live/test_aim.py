"""`play --aim`: the outlines, sent through the design's warp, come down on the outlines."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.files import open_rig, read_map
from rigwarp.scenarios import create_rig


@pytest.fixture(scope="module")
def aimed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    root = tmp_path_factory.mktemp("aim")
    create_rig("round-table", root / "rig")
    rig = root / "rig" / "rig.toml"
    rig.write_text(rig.read_text().replace("resolution = [1280, 720]", "resolution = [640, 360]"))
    assert main(["play", str(root / "rig"), "--aim", "--still", str(root / "aim.png")]) == 0
    return root / "rig", root / "aim.png"


def test_the_outlines_come_down_on_table_edge_and_content_edge(aimed: tuple[Path, Path]) -> None:
    """Geometry: traced table positions of the drawn pixels lie on circles of 500 and 480 mm, to the line's width."""
    folder = open_rig(aimed[0])
    frame = cv2.imread(str(aimed[1]))[..., ::-1].astype(int)
    design = read_map(aimed[0] / "design.npz")[0]
    radius_mm = np.linalg.norm(design.table_mm, axis=-1)
    warm = (frame[..., 0] > 150) & (frame[..., 0] - frame[..., 2] > 80)
    assert warm.sum() > 300
    assert np.abs(radius_mm[warm] - 250.0).max() < 3.0
    white = (frame.min(axis=-1) > 200) & (radius_mm > 225.0)  # further out than the word at the front
    assert white.sum() > 300
    assert np.abs(radius_mm[white] - folder.rig.content.size_mm[0] / 2).max() < 3.0


def test_the_cross_marks_the_middle(aimed: tuple[Path, Path]) -> None:
    frame = cv2.imread(str(aimed[1]))[..., ::-1].astype(int)
    cool = (frame[..., 2] > 150) & (frame[..., 2] - frame[..., 0] > 80)
    design = read_map(aimed[0] / "design.npz")[0]
    assert np.abs(design.table_mm[cool].mean(axis=0)).max() < 2.0


def test_content_and_aiming_exclude_each_other(aimed: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["play", str(aimed[0]), "check:grid", "--aim"]) == 2
    assert "SOURCE and --aim" in capsys.readouterr().err
