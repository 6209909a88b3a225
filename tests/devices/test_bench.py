"""The devices that a rig file asks for; the contract that every display and camera keeps."""

from pathlib import Path

import pytest
from device_contract import keep_contract
from small_rig import make_small_rig

from rigwarp.devices import open_bench
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import open_rig


@pytest.fixture(scope="module")
def virtual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_small_rig(tmp_path_factory.mktemp("bench") / "rig")


def with_device(virtual: Path, tmp_path: Path, device: str) -> Path:
    text = (virtual / "rig.toml").read_text(encoding="utf-8")
    assert 'device = "virtual"' in text
    (tmp_path / "rig.toml").write_text(text.replace('device = "virtual"', f"device = {device}"), encoding="utf-8")
    return tmp_path


def test_virtual_devices_keep_the_contract(virtual: Path) -> None:
    folder = open_rig(virtual)
    with open_bench(folder) as bench:
        keep_contract(bench, folder.rig.projector.resolution, folder.rig.camera.resolution)


@pytest.mark.parametrize(
    ("device", "said"),
    [
        ("77", "there is no camera 77"),
        ('"/dev/nothing"', "/dev/nothing"),
        ('"http://127.0.0.1:9/x"', "cannot be reached"),
    ],
)
def test_a_camera_that_is_not_there_is_one_line(virtual: Path, tmp_path: Path, device: str, said: str) -> None:
    with pytest.raises(DeviceError, match=said) as caught, open_bench(open_rig(with_device(virtual, tmp_path, device))):
        pass
    assert "\n" not in str(caught.value)


def test_a_virtual_rig_without_its_truth_is_refused(virtual: Path, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_bytes((virtual / "rig.toml").read_bytes())
    with pytest.raises(InputError, match=r"virtual\.toml"), open_bench(open_rig(tmp_path)):
        pass
