"""The pre-flight on the virtual rig: nothing wrong, then one thing wrong at a time; each is found, and nothing else."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.camera import CameraModel, detect_board
from rigwarp.camera.table.sheet_move import sheet_move
from rigwarp.capture.preflight.exposure_search import find_exposure
from rigwarp.capture.preflight.findings import about_pose, require_no_stop
from rigwarp.capture.preflight.look import count_photographs, run_preflight
from rigwarp.devices import Bench, open_virtual
from rigwarp.errors import MeasurementError
from rigwarp.files import open_rig, read_text
from rigwarp.simulation import VirtualRig, parse_truth

_spec = importlib.util.spec_from_file_location("faulty_bench", Path(__file__).with_name("faulty_bench.py"))
_module = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_module)
faulty = _module.faulty


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A rig of 320 x 180 projected and 480 x 270 photographed pixels."""
    return open_rig(make_small_rig(tmp_path_factory.mktemp("preflight") / "rig", share=0.25))


@pytest.fixture(scope="module")
def virtual(folder):
    made = open_virtual(folder)
    made.prepare()
    return made


@pytest.fixture(scope="module")
def camera(virtual):
    """camera.json as it would be without any error."""
    true = virtual.true_camera()
    names = ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm")
    return CameraModel(resolution=tuple(true["resolution"]), **{name: np.array(true[name]) for name in names})


@pytest.fixture
def look(folder, virtual, camera):
    """Run the pre-flight with faults: (findings by name, how many photographs were announced as they were taken)."""

    def go(*, quick=True, rig=folder.rig, made=camera, bench=None, **faults):
        taken = []
        plain = bench or Bench(display=virtual.display, camera=virtual.camera)
        looked = run_preflight(
            faulty(plain, **faults),
            rig,
            camera=made,
            sheet_height_mm=0.1,
            quick=quick,
            advance=lambda: taken.append(1),
        )
        virtual.camera.set_exposure(1 / 30)
        return {finding.what: finding for finding in looked.findings}, len(taken)

    return go


def wrong(findings):
    """The names of what is not fine; the sheet is never there unless a test lays it there."""
    return {name for name, finding in findings.items() if finding.severity != "fine"} - {"camera's place"}


@pytest.mark.parametrize("quick", [True, False])
def test_a_good_bench_is_fine(look, quick):
    findings, taken = look(quick=quick)
    assert wrong(findings) == set()
    assert taken == pytest.approx(count_photographs(quick=quick), abs=1)
    assert findings["camera's place"].severity == "remark"
    assert "not in the picture" in findings["camera's place"].text
    require_no_stop(list(findings.values()))


def _overscan(frame):
    height, width = frame.shape
    large = cv2.resize(frame, None, fx=1.05, fy=1.05, interpolation=cv2.INTER_LINEAR)
    left, top = (large.shape[1] - width) // 2, (large.shape[0] - height) // 2
    return large[top : top + height, left : left + width]


def _smaller_panel(frame):
    """A projector that takes 320 x 180 and has 213 x 120 pixels."""
    height, width = frame.shape
    panel = cv2.resize(frame, (width * 2 // 3, height * 2 // 3), interpolation=cv2.INTER_AREA)
    return cv2.resize(panel, (width, height), interpolation=cv2.INTER_NEAREST)


@pytest.mark.parametrize("scaled", [_overscan, _smaller_panel])
def test_a_scaled_picture_stops_the_scan(look, scaled):
    findings, _ = look(frame=scaled)
    assert wrong(findings) == {"pixel for pixel"}
    scaling = findings["pixel for pixel"]
    assert scaling.severity == "stop"
    assert scaling.figures["x"]["light"] < 0.4
    assert "native size" in scaling.text
    with pytest.raises(MeasurementError, match="pixel for pixel"):
        require_no_stop(list(findings.values()))


def test_dropped_pixels_stop_the_scan(look):
    """A projector that takes 320 x 180 and leaves out two of five pixels, without any mixing."""

    def panel(frame):
        small = cv2.resize(frame, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_NEAREST)
        return cv2.resize(small, frame.shape[::-1], interpolation=cv2.INTER_NEAREST)

    findings, _ = look(frame=panel, quick=False)
    assert findings["pixel for pixel"].severity == "stop"
    assert "repeated or dropped" in findings["pixel for pixel"].text


def test_a_blurred_picture_is_blurred_and_not_scaled(look, folder):
    """Blur in light, as a lens makes it: the display cannot do that, so the codes are blurred in linear light."""
    gamma = 2.35  # of the virtual projector

    def defocused(frame):
        light = cv2.GaussianBlur((frame / 255.0) ** gamma, (0, 0), 4.0, borderType=cv2.BORDER_REFLECT)
        return np.rint(255.0 * light ** (1 / gamma)).astype(np.uint8)

    findings, _ = look(frame=defocused, quick=False)
    assert wrong(findings) == {"sharpness"}
    # 4 px on top of 1.3 px: sqrt(4^2 + 1.3^2) = 4.2
    assert findings["sharpness"].figures["blur_px"] == pytest.approx(4.2, abs=0.25)


def test_burnt_out_white_is_cured_where_the_exposure_can_be_set(look, virtual):
    virtual.camera.set_exposure(1.0)
    findings, _ = look()
    assert wrong(findings) == set()
    exposure = findings["exposure"].figures
    assert exposure["searched"]
    assert exposure["frames"] == 2  # the virtual camera's white is right at two frames of 60 Hz
    assert exposure["exposure_s"] == pytest.approx(2 / 60)


def test_an_exposure_of_less_than_two_frames_is_lengthened(look, virtual):
    """The full pre-flight wants whole frames; a quick one puts up with what is bright enough."""
    virtual.camera.set_exposure(1 / 50)
    findings, _ = look(quick=False)
    assert findings["exposure"].figures["frames"] == 2
    virtual.camera.set_exposure(1 / 50)
    findings, _ = look(quick=True)
    assert not findings["exposure"].figures["searched"]
    assert findings["exposure"].figures["exposure_s"] == pytest.approx(1 / 50)


def test_burnt_out_white_is_told_where_it_cannot(look):
    def bright(photo, number):
        return np.clip(photo.astype(int) * 3 // 2, 0, 255).astype(np.uint8)

    findings, _ = look(photo=bright, stuck=True)
    assert findings["exposure"].severity == "stop"
    assert "aperture" in findings["exposure"].text
    assert findings["exposure"].figures["saturated_share"] > 0.02


def test_wandering_bands_and_flicker_are_found(look):
    """5 % of the light in bands of 60 rows that move on from photo to photo; the camera codes light ** (1 / 2.2)."""

    def banded(photo, number):
        rows = 1.0 + 0.05 * np.sqrt(2.0) * np.cos(2 * np.pi * (np.arange(photo.shape[0]) / 60.0 + 0.37 * number))
        return np.clip(np.rint(photo * rows[:, None] ** (1 / 2.2)), 0, 255).astype(np.uint8)

    findings, _ = look(photo=banded, quick=False)
    steady = findings["steady light"]
    assert steady.severity == "remark"
    assert steady.figures["banding"] == pytest.approx(0.05, rel=0.2)
    assert "33.3 ms, 50 ms" in steady.text
    assert "lamps" in steady.text  # black wanders as well: it is not the projector


def test_a_bright_room_is_a_remark(look):
    def lamp(photo, number):
        return np.rint(255.0 * ((photo / 255.0) ** 2.2 * 0.6 + 0.3) ** (1 / 2.2)).astype(np.uint8)

    findings, _ = look(photo=lamp)
    assert "room light" in wrong(findings)
    assert findings["room light"].severity == "remark"


def test_a_projector_that_is_off_stops_everything(look):
    findings, _ = look(frame=np.zeros_like)
    assert findings["contrast"].severity == "stop"
    assert "projector on" in findings["contrast"].text
    assert "pixel for pixel" not in findings  # nothing to be seen, nothing said


def test_content_that_leaves_the_picture(look, folder):
    rig = replace(folder.rig, content=replace(folder.rig.content, centre_mm=np.array([150.0, 0.0])))
    findings, _ = look(rig=rig)
    seen = findings["content in view"]
    assert seen.severity != "fine"
    assert seen.figures["seen_share"] < 1.0 or seen.figures["lit_share"] < 0.97


def test_a_camera_without_camera_json_and_with_a_will_of_its_own(look):
    findings, _ = look(made=None, unlocked=("focus",))
    assert wrong(findings) == {"camera settings", "content in view"}
    assert "focus may change" in findings["camera settings"].text


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A function: the finding about the camera's place, from a photo of the sheet on a table lit white.

    The camera may be nudged (shift mm, turn deg, table axes), the sheet may not lie where it is expected, and the
    camera may turn its picture: `way` rows and columns.
    """
    small = open_rig(make_small_rig(tmp_path_factory.mktemp("place") / "rig"))
    truth = parse_truth(read_text(small.root / "virtual.toml", make_with=""), small.rig, source="virtual.toml")
    true = open_virtual(small).true_camera()
    names = ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm")
    believed = CameraModel(resolution=tuple(true["resolution"]), **{name: np.array(true[name]) for name in names})

    def found(*, shift_mm=(0.0,) * 3, turn_deg=(0.0,) * 3, expected_off_mm=(0.0, 0.0), cropped=1.0, way=(1, 1)):
        eye = truth.camera.placement.moved(np.array(shift_mm), np.radians(turn_deg))
        nudged = VirtualRig(small.rig, replace(truth, camera=replace(truth.camera, placement=eye)))
        target = replace(small.rig.target, centre_mm=small.rig.target.centre_mm + np.array(expected_off_mm))
        photo = nudged.table_sheet_photo()[:: way[0], :: way[1]].copy()
        middle_px = (np.array(photo.shape[::-1]) - 1.0) / 2.0
        part = np.column_stack([np.eye(2) * cropped, (1.0 - cropped) * middle_px])
        view = detect_board(cv2.warpAffine(photo, part, photo.shape[::-1]) if cropped != 1.0 else photo, target)
        move = sheet_move(view, believed, target, small.rig.content, sheet_height_mm=0.1, height_mm=0.0)
        return about_pose(view, move, tolerance_mm=small.rig.tolerance.content_p95_mm)

    return found


def test_a_sheet_that_lies_still(place):
    found = place()
    assert found.severity == "fine"
    assert found.figures["table_off_mm"] < 0.1  # the true lens has a prism term that camera.json cannot hold


def test_a_nudged_camera_stops_the_scan(place):
    """Turned by 0.15 degrees about the table's x at 950 mm: 2.5 mm on the table, and more at a slant."""
    found = place(turn_deg=(0.15, 0.0, 0.0))
    assert found.severity == "stop"
    assert 2.0 < found.figures["table_off_mm"] < 5.0
    assert "rigwarp camera" in found.text


def test_a_lowered_camera_stops_the_scan(place):
    """By 3 mm of 930: places at 250 mm from below the camera seem 0.8 mm off, and the sheet seems to rise."""
    found = place(shift_mm=(0.0, 0.0, -3.0))
    assert found.severity == "stop"
    assert found.figures["shift_mm"][2] == pytest.approx(3.0, abs=0.5)


def test_a_sheet_that_was_laid_elsewhere_is_a_remark(place):
    found = place(expected_off_mm=(12.0, -8.0))
    assert found.severity == "remark"
    assert "14 mm" in found.text  # hypot(12, 8)


def test_a_cropped_picture_of_the_same_size_stops_the_scan(place):
    """The middle of the sensor in as many pixels: no camera that was moved, as its message would have it."""
    found = place(cropped=1.15)
    assert found.severity == "stop"
    assert found.figures["magnified"] == pytest.approx(1.15, abs=0.003)
    assert "another part of its sensor" in found.text


def test_a_picture_that_the_camera_turns_stops_the_scan(place):
    """The sheet in it is no sheet that is missing, no other size, and no camera that was moved."""
    assert place(way=(-1, -1)).text.startswith("the sheet is turned by 180 degrees in the picture")
    assert place(way=(1, -1)).text.startswith("the camera's picture is mirrored")
    assert place(way=(-1, -1)).severity == place(way=(1, -1)).severity == place(way=(-1, 1)).severity == "stop"


def test_ink_on_the_table_is_no_shadow(tmp_path):
    """The sheet lies there: black squares that projected white hardly makes brighter, a tenth of the content area."""
    small = open_rig(make_small_rig(tmp_path / "rig"))
    virtual = open_virtual(small)
    true = virtual.true_camera()
    names = ("matrix", "distortion", "R_camera_from_table", "t_camera_from_table_mm")
    believed = CameraModel(resolution=tuple(true["resolution"]), **{name: np.array(true[name]) for name in names})
    sheet = (virtual.table_sheet_photo() / 255.0) ** 2.2

    def with_sheet(photo, number):
        return np.rint(255.0 * ((photo / 255.0) ** 2.2 * sheet / sheet.max()) ** (1 / 2.2)).astype(np.uint8)

    bench = faulty(Bench(display=virtual.display, camera=virtual.camera), photo=with_sheet)
    looked = run_preflight(bench, small.rig, camera=believed, sheet_height_mm=0.1, quick=True, advance=lambda: None)
    found = {finding.what: finding for finding in looked.findings}
    assert found["content in view"].figures["lit_share"] > 0.99
    assert found["camera's place"].severity == "fine"
    assert {finding.severity for finding in looked.findings} == {"fine"}


def test_a_camera_json_for_another_picture_size_stops_the_scan(look, camera):
    findings, _ = look(made=replace(camera, resolution=(1920, 1080)))
    assert findings["content in view"].severity == "stop"
    assert "1920 x 1080" in findings["content in view"].text


def test_the_pre_flight_looks_for_the_sheet(look, monkeypatch):
    """In the photo of projected white, against camera.json."""
    asked = []

    def sees(photo, target):
        asked.append(photo.mean())
        return detect_board(photo, target)

    monkeypatch.setattr("rigwarp.capture.preflight.look.detect_board", sees)
    look()
    assert len(asked) == 1
    assert asked[0] > 30.0  # 2 for black


@pytest.mark.parametrize(("sensitivity", "frames"), [(26.0, 2), (12.0, 4), (0.4, 60), (600.0, None)])
def test_exposure_search_ends_at_whole_frames(sensitivity, frames):
    """A linear camera whose white is at `sensitivity` full scales per second: the answer can be worked out."""
    asked = []

    def photograph(seconds):
        asked.append(seconds)
        return seconds, min(1.0, sensitivity * seconds)

    found = find_exposure(photograph, frame_s=1 / 60)
    assert found.frames == frames
    assert found.brightest < 0.95
    assert asked[-1] == found.seconds
    assert len(asked) <= 12
    if frames is None:
        assert found.brightest > 0.85  # within 7 % of the limit
    else:
        assert found.seconds == pytest.approx(frames / 60)
        assert frames == 60 or sensitivity * (frames + 1) / 60 > 0.7


def test_what_the_camera_adds_to_its_pictures_is_said_with_what_to_set(look):
    def camera(photo, number):
        cv2.putText(photo, f"12:00:{number % 60:02d}", (330, 20), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 1)
        return cv2.imdecode(cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, 70])[1], cv2.IMREAD_GRAYSCALE)

    findings, _ = look(quick=False, photo=camera)
    assert {"compression", "writing in the picture"} <= wrong(findings)
    assert findings["compression"].figures["blocks"] > 1.6
    assert "quality of 95" in findings["compression"].text
    assert "at the top right" in findings["writing in the picture"].text
