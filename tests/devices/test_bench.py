"""The devices that a rig file asks for; the contract that every display and camera keeps."""

from pathlib import Path

import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.devices import Bench, open_bench
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import open_rig


@pytest.fixture(scope="module")
def virtual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_small_rig(tmp_path_factory.mktemp("bench") / "rig")


def keep_contract(bench: Bench, projector: tuple[int, int], camera: tuple[int, int]) -> None:
    """What every implementation of Display and Camera does."""
    assert bench.display.resolution == projector
    assert bench.camera.resolution == camera
    white = np.full(projector[::-1], 255, np.uint8)
    bench.display.show(white)
    bright = bench.camera.grab()
    bench.display.show(np.zeros((*projector[::-1], 3), np.uint8))
    dark = bench.camera.grab()
    assert bright.shape == dark.shape == camera[::-1]
    assert bright.dtype in (np.uint8, np.uint16)
    assert float(bright.mean()) > float(dark.mean()) + 10  # the photograph belongs to the picture shown last


def test_virtual_devices_keep_the_contract(virtual: Path) -> None:
    folder = open_rig(virtual)
    with open_bench(folder) as bench:
        keep_contract(bench, folder.rig.projector.resolution, folder.rig.camera.resolution)


def test_real_devices_are_refused_with_the_way_around(virtual: Path, tmp_path: Path) -> None:
    text = (virtual / "rig.toml").read_text(encoding="utf-8")
    (tmp_path / "rig.toml").write_text(text.replace('"virtual"', "0"), encoding="utf-8")
    with pytest.raises(DeviceError, match="--export"), open_bench(open_rig(tmp_path)):
        pass


def test_a_virtual_rig_without_its_truth_is_refused(virtual: Path, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_bytes((virtual / "rig.toml").read_bytes())
    with pytest.raises(InputError, match=r"virtual\.toml"), open_bench(open_rig(tmp_path)):
        pass
