"""Machine-vision cameras by Aravis, on the simulated camera that it brings."""

import re
import time

import numpy as np
import pytest
from gige_camera import GigeCamera
from loop_rig import copy_with_camera, make_virtual_rig
from required import lack

import rigwarp
from rigwarp.capture import Latency, SynchronisedBench
from rigwarp.cli import main
from rigwarp.devices import StreamingCamera, genicam_camera, open_virtual
from rigwarp.devices.genicam_camera import open_genicam_camera
from rigwarp.devices.open_camera import open_camera
from rigwarp.devices.pixel_formats import best_format
from rigwarp.devices.video_camera import as_grey
from rigwarp.errors import DeviceError
from rigwarp.files import current_result, open_rig, read_map, read_photo
from rigwarp.jobs.bench.camera_state import camera_state
from rigwarp.jobs.demo import map_against_truth
from rigwarp.simulation.virtual_rig import NOMINAL_EXPOSURE_S

SIZE = (512, 512)
FAKE = "genicam:Fake_1"


@pytest.fixture(scope="module", autouse=True)
def _library():
    try:
        genicam_camera._Library()
    except DeviceError as error:
        lack("CAMERAS", str(error))


def test_it_delivers_sixteen_bits_and_exposes_exactly():
    camera = open_camera(FAKE, SIZE)
    assert isinstance(camera, StreamingCamera)
    assert camera.unlocked == ()
    shots = [camera.next_shot(time.monotonic()) for _ in range(3)]
    assert all(shot.photo.shape == (512, 512) and shot.photo.dtype == np.uint16 for shot in shots)
    assert shots[0].arrived_s < shots[1].arrived_s < shots[2].arrived_s
    assert not np.array_equal(shots[0].photo, shots[2].photo)  # its picture moves
    latency = Latency(median_s=0.08, max_s=0.1, frame_s=0.04, changes=4, agreement=None, last=None)  # of no display
    line = camera_state(SynchronisedBench(display=None, camera=camera, latency=latency), FAKE).line()
    assert re.fullmatch(
        r"genicam:Fake_1, 512 x 512; 25 pictures a second; 80 ms from display to camera, at most 100; "
        r"locked: exposure \([\d.]+ ms\), gain, white balance, focus\. Next: nothing to be done",
        line,
    )
    assert camera.set_exposure(1 / 60) == camera.exposure_s == pytest.approx(1 / 60, rel=1e-3)  # microseconds
    camera.close()
    camera.close()
    again = open_camera(FAKE, SIZE)  # it was given back
    assert again.look().shape == (512, 512)
    again.close()


def test_a_part_of_the_sensor_is_its_middle():
    camera = open_camera(FAKE, (256, 128))
    assert camera.look().shape == (128, 256)
    camera.close()


@pytest.mark.parametrize(
    ("device", "size", "said"),
    [
        ("genicam:nobody", SIZE, "there is no machine-vision camera 'nobody'"),
        (FAKE, (100000, 100000), "delivers .* rig.toml says"),
    ],
)
def test_what_is_not_there_is_one_line(device, size, said):
    with pytest.raises(DeviceError, match=said) as caught:
        open_genicam_camera(device, size)
    assert "\n" not in str(caught.value)


def test_refused_values_are_told_by_none():
    camera = open_camera(FAKE, SIZE)
    before = camera.exposure_s
    assert camera.set_exposure(1e6) != 1e6  # far beyond what it has: refused, or bounded and said so
    assert camera.exposure_s == pytest.approx(before) or camera.exposure_s < 1e6
    camera.close()


class SeenTable:
    """A virtual rig's display, whose table a GigE Vision camera sees."""

    def __init__(self, virtual):
        virtual.prepare()
        self._virtual, self.resolution = virtual, virtual.display.resolution
        self.camera = GigeCamera(self._light)

    def show(self, frame):
        self._virtual.display.show(frame)
        self.camera.renew()

    def close(self):
        self.camera.close()

    def _light(self, exposure_s):
        virtual = self._virtual
        radiance = virtual._scene.radiance(virtual._projector.emitted(virtual.display.shown))
        return virtual._sensor.optics(radiance) * virtual._gain * exposure_s / NOMINAL_EXPOSURE_S


def test_a_scan_over_gige_vision_maps_as_well_as_without(tmp_path, monkeypatch):
    """Twelve bits by UDP on loopback; electrons and read noise are the virtual camera's, which has 8 bits."""
    monkeypatch.setattr("rigwarp.capture.photographs.latency._SETTLE_S", 0.3)
    monkeypatch.setattr("rigwarp.jobs.bench.live_bench.CHANGES_PER_S", None)  # nobody sees it
    without = make_virtual_rig(tmp_path / "virtual")
    virtual = open_virtual(open_rig(without))
    table = SeenTable(virtual)
    try:
        folder = copy_with_camera(without, tmp_path / "rig", table.camera.device)
        rig = rigwarp.open_rig(folder)
        (scan,) = rig.scan(display=table)
        rig.fit()
    finally:
        table.close()
    codes = read_photo(max((scan.run / "frames").iterdir()))
    assert codes.dtype == np.uint16
    assert len(np.unique(codes)) > 256  # no 8 bits came
    assert np.array_equal(codes, as_grey(codes >> 4, 12))
    assert main(["scan", str(without)]) == main(["fit", str(without)]) == 0
    truth, design = virtual.true_map(), open_rig(without).rig
    over, beside = (
        map_against_truth(design, read_map(current_result(root) / "map.npz")[0], truth) for root in (folder, without)
    )
    assert over["rms_mm"] < 1.05 * beside["rms_mm"]
    assert over["coverage"] == beside["coverage"]


@pytest.mark.parametrize("form", ["Mono12", "Mono12p", "Mono12Packed", "BayerRG12"])
def test_every_format_of_twelve_bits_is_read(form):
    """Of a mosaic the green light, which is not moved; the camera's noise is at most 0.9 % of full scale."""
    light = np.linspace(0.05, 0.9, 160 * 120).reshape(120, 160)
    served = GigeCamera(lambda _: light, form)
    try:
        camera = open_camera(served.device, (160, 120))
        camera.look()
        photo = camera.next_shot(time.monotonic() + 0.2).photo / 65535
        camera.close()
    finally:
        served.close()
    assert abs(np.mean(photo - light)) < 0.001
    assert np.std(photo - light) < 0.01


@pytest.mark.parametrize(("form", "codes"), [("Mono12Packed", [0xABD, 0xEFC]), ("Mono12p", [0xDAB, 0xEFC])])
def test_two_samples_of_twelve_bits_lie_in_three_bytes_as_the_standards_say(form, codes):
    """GigE Vision 1.2: P0 11..4, P1 3..0 above P0 3..0, P1 11..4; Pixel Format Naming Convention, "p": lowest first."""
    data = np.array([0xAB, 0xCD, 0xEF], np.uint8)
    assert best_format(["Mono8", form]).photo(data, (2, 1)).tolist() == [codes]


def test_a_format_in_whole_bytes_without_colours_is_taken_first():
    assert best_format(["RGB8", "BayerRG16", "Mono12Packed", "Mono12", "Mono8"]).name == "Mono12"
    assert best_format(["RGB8", "BayerGB8", "BayerGB12p"]).colours == "GBRG"
    assert best_format(["RGB8", "YUV422_8"]) is None


def test_twelve_bits_fill_sixteen():
    """Mono12 has 0 .. 4095 in the lower bits of 16 (GenICam, Pixel Format Naming Convention)."""
    twelve = np.array([[0, 1, 2048, 4095]], np.uint16)
    assert as_grey(twelve, 12).tolist() == [[0, 16, 32776, 65535]]


def test_without_the_library_the_package_is_named(monkeypatch):
    def missing(name):
        raise OSError(name)

    monkeypatch.setattr(genicam_camera.ctypes, "CDLL", missing)
    with pytest.raises(DeviceError, match="apt install libaravis"):
        open_genicam_camera(FAKE, SIZE)
