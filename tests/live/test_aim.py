"""`play --aim`: the outlines, sent through the design's warp, come down on the outlines."""

import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from rigwarp.cli import main
from rigwarp.commands.console import Console
from rigwarp.files import open_rig, read_map
from rigwarp.jobs.play_log import focus_watch
from rigwarp.live.sources import aim
from rigwarp.live.sources.aim import AimSource, FocusWatch
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


class LensBeingTurned:
    """A camera whose picture gets sharper, then blurred again."""

    unlocked = ()
    closed = False

    def __init__(self, picture: np.ndarray) -> None:
        self._blurs = [*np.repeat([8.0, 5.0, 2.0], 4), *[6.0] * 400]
        self._grey = cv2.resize(picture.mean(axis=-1).astype(np.float32), (320, 320)) / 2.0
        self._rng = np.random.default_rng(1)

    def look(self) -> np.ndarray:
        seen = cv2.GaussianBlur(self._grey, (0, 0), self._blurs.pop(0)) + self._rng.normal(20.0, 1.0, (320, 320))
        return np.clip(seen, 0, 255).astype(np.uint8)

    def close(self) -> None:
        self.closed = True


def until(true: Callable[[], bool]) -> None:
    for _ in range(3000):
        if true():
            return
        threading.Event().wait(0.01)
    raise AssertionError


def test_where_a_camera_looks_its_sharpness_stands_on_the_table(
    aimed: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = open_rig(aimed[0]).rig
    source = AimSource(rig)
    plain = source.at(0.0)
    camera = LensBeingTurned(plain)
    monkeypatch.setattr(aim, "_PAUSE_S", 0.001)
    again = LensBeingTurned(plain)
    with FocusWatch(source, camera, again=lambda: again) as watch:
        until(lambda: source.words.startswith("sharpness") and len(camera._blurs) < 390)
        share = int(source.words.split()[1])
        written = source.at(1.0)
        watch.give_camera(True)  # a job of the page wants it, and most cameras serve one program alone
        assert camera.closed
        assert source.words == ""
        watch.give_camera(False)
        until(lambda: source.words.startswith("sharpness"))
    assert again.closed
    assert 15 < share < 60  # 2 / 6, and what the first blur has of it
    assert source.at(2.0) is source.at(3.0)
    changed = np.abs(written.astype(int) - plain).max(axis=-1) > 40
    assert 50 < changed.sum() < 0.05 * changed.size


@pytest.mark.parametrize(
    ("device", "said"), [("virtual", "a virtual camera does not see"), ("/dev/nothing", "nothing")]
)
def test_without_a_usable_camera_aiming_goes_on(
    aimed: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], device: str, said: str
) -> None:
    shutil.copytree(aimed[0], tmp_path / "rig")
    file = tmp_path / "rig" / "rig.toml"
    file.write_text(file.read_text().replace('device = "virtual"', f'device = "{device}"'))
    folder = open_rig(tmp_path / "rig")
    with focus_watch(Console(), folder, AimSource(folder.rig)):
        told = capsys.readouterr().err
    assert told.startswith("No live sharpness: ")
    assert said in told
