"""An interrupted scan goes on where it stopped, unless something has moved; exposures and averages of a live scan."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.errors import DeviceError
from rigwarp.files import complete_runs, open_rig, read_decoded, read_patterns, read_photo, read_start
from rigwarp.jobs.next_step import unfinished_scan
from rigwarp.rig import decode_transfer
from rigwarp.simulation.virtual_rig import VirtualCamera


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_small_rig(tmp_path_factory.mktemp("resume") / "rig", share=0.25)


@pytest.fixture
def rig(base: Path, tmp_path: Path) -> Path:
    shutil.copytree(base, tmp_path / "rig")
    return tmp_path / "rig"


def run(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> dict[str, Any]:
    capsys.readouterr()
    assert main([*(str(w) for w in words), "--json"]) == code
    written = capsys.readouterr().out
    return json.loads(written) if written else {}


def failing_after(monkeypatch: pytest.MonkeyPatch, photos: int, error: BaseException) -> Callable[[], None]:
    """The camera fails after some photographs; returns what repairs it."""
    grab, taken = VirtualCamera.grab, []

    def fails(self: VirtualCamera) -> np.ndarray:
        if len(taken) == photos:
            raise error
        taken.append(1)
        return grab(self)

    monkeypatch.setattr(VirtualCamera, "grab", fails)
    return lambda: monkeypatch.setattr(VirtualCamera, "grab", grab)


def test_a_scan_whose_camera_died_goes_on_at_the_first_missing_frame(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    repair = failing_after(monkeypatch, 18, DeviceError("the camera has stopped"))
    capsys.readouterr()
    # 2 photographs a frame: 8 grey frames, 2 for the blur
    assert main(["scan", str(rig), "--no-look", "--average", "2"]) == 4
    message = capsys.readouterr().err.splitlines()[-1]
    assert "the camera has stopped" in message
    assert f"rigwarp scan {rig} --resume" not in message  # the patterns were not settled yet
    repair()
    repair = failing_after(monkeypatch, 40, DeviceError("the camera has stopped"))
    assert main(["scan", str(rig), "--resume"]) == 4  # begins anew, as it was begun
    message = capsys.readouterr().err.splitlines()[-1]
    assert f"18 photographs are kept; go on with: rigwarp scan {rig} --resume" in message
    repair()
    unfinished = sorted((rig / "scans").iterdir())[-1]
    kept = {p.name: p.read_bytes() for p in (unfinished / "frames").iterdir()}
    assert len(kept) == 18
    scanned = run(capsys, "scan", rig, "--resume")
    assert Path(scanned["scan"]) == unfinished
    assert complete_runs(rig / "scans") == [unfinished]
    for name, data in sorted(kept.items())[:-1]:  # the last one is taken again
        assert (unfinished / "frames" / name).read_bytes() == data
    assert len(list((unfinished / "frames").iterdir())) == len(read_patterns(unfinished / "patterns.json").frames)
    assert read_photo(unfinished / "frames" / "0030.png").dtype == np.uint16  # averaged, as it was begun
    decoded = read_decoded(unfinished / "decoded.npz")
    assert decoded.moved_share < 0.005
    assert main(["scan", str(rig), "--resume"]) == 3
    assert "no scan that was interrupted" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("seat_turn_deg = [0.3, 0.25, 0.3]", "seat_turn_deg = [0.4, 0.25, 0.3]", "stripes"),  # the mirror was touched
        ("aim_mm = [-25.0, 5.0, 0.0]", "aim_mm = [-23.0, 5.0, 0.0]", "white"),  # the camera was touched
    ],
)
def test_a_scan_does_not_go_on_when_something_has_moved(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, before: str, after: str, said: str
) -> None:
    repair = failing_after(monkeypatch, 25, KeyboardInterrupt())
    assert main(["scan", str(rig), "--no-look"]) == 130
    assert f"photographs are kept; go on with: rigwarp scan {rig} --resume" in capsys.readouterr().err
    repair()
    truth = (rig / "virtual.toml").read_text(encoding="utf-8")
    assert before in truth
    (rig / "virtual.toml").write_text(truth.replace(before, after), encoding="utf-8")
    capsys.readouterr()
    assert main(["scan", str(rig), "--resume"]) == 5
    message = capsys.readouterr().err.splitlines()[-1]
    assert "moved" in message
    assert f"{said}" in message
    assert "camera pixels" in message


def test_a_scan_of_another_rig_file_does_not_go_on(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    repair = failing_after(monkeypatch, 25, KeyboardInterrupt())
    assert main(["scan", str(rig), "--no-look"]) == 130
    assert f"photographs are kept; go on with: rigwarp scan {rig} --resume" in capsys.readouterr().err
    repair()
    step = unfinished_scan(open_rig(rig))
    assert step is not None
    assert step.command == f"rigwarp scan {rig} --resume"
    text = (rig / "rig.toml").read_text(encoding="utf-8")
    (rig / "rig.toml").write_text(text + "\n# corrected\n", encoding="utf-8")
    assert unfinished_scan(open_rig(rig)) is None
    capsys.readouterr()
    assert main(["scan", str(rig), "--resume"]) == 3
    assert "another rig.toml" in capsys.readouterr().err


def test_two_exposures_of_a_live_scan(rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The camera is set too dark; the second exposure is four times as long and rescues the scan."""
    truth = (rig / "virtual.toml").read_text(encoding="utf-8")
    (rig / "virtual.toml").write_text(truth.replace("[camera]", "[camera]\nexposure = 0.1"), encoding="utf-8")
    scanned = run(capsys, "scan", rig, "--no-look", "--exposures", 2)
    folder = Path(scanned["scan"])
    shown = read_patterns(folder / "patterns.json")
    assert shown.exposures == (0, 1)
    notes = json.loads((folder / "capture.json").read_text())
    assert notes["exposures_s"][1] == pytest.approx(4 * notes["exposures_s"][0])
    assert read_start(folder).settings["exposures"] == 2
    half = len(shown.frames) // 2
    photos = [read_photo(folder / "frames" / f"{n:04d}.png").astype(float) for n in (7, 7 + half)]
    lit = (photos[0] > 20) & (photos[1] < 250)
    light = [decode_transfer(photo[lit] / 255, "srgb") for photo in photos]  # this camera's response
    assert np.median(light[1] / light[0]) == pytest.approx(4.0, rel=0.02)  # codes of 20 are good to a fiftieth
    single = run(capsys, "scan", rig, "--no-look")
    once, twice = (read_decoded(Path(s["scan"]) / "decoded.npz") for s in (single, scanned))
    both = once.valid & twice.valid
    assert both.sum() > 0.97 * once.valid.sum()
    # shot noise alone would halve the sigma with four times the light; read noise counts for less, and the first
    # exposure helps a little
    assert np.median((twice.sigma_u_px / once.sigma_u_px)[both]) < 0.5


def test_a_scan_of_zones_goes_on_in_the_zone_where_it_stopped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    counter = make_small_rig(tmp_path / "counter", "folded-counter", share=0.25)
    repair = failing_after(monkeypatch, 50, DeviceError("the camera has stopped"))
    assert main(["scan", str(counter), "--no-look", "--blur", "3"]) == 4
    repair()
    (first,) = complete_runs(counter / "scans")
    unfinished = sorted((counter / "scans").iterdir())[-1]
    frames = len(read_patterns(first / "patterns.json").frames)
    assert len(list((unfinished / "frames").iterdir())) == 50 - frames
    scanned = run(capsys, "scan", counter, "--resume")
    assert [Path(s["scan"]) for s in scanned["scans"]] == [first, unfinished]
    settings = [read_start(one).settings for one in complete_runs(counter / "scans")]
    assert [s["zone"] for s in settings] == [0, 1]
    assert len({s["group"] for s in settings}) == 1
