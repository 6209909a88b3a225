"""Frames out and photographs in: order, numbering, and what is refused."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from bench_rigs import convex_rig

from rigwarp.capture import export_patterns, import_frames, photograph, read_frames, record_scan
from rigwarp.devices import Bench
from rigwarp.errors import DeviceError, InputError
from rigwarp.files import read_patterns, read_photo, write_picture
from rigwarp.files.names import FRAMES, PATTERNS_FILE
from rigwarp.patterns import PatternSet, fast_set
from rigwarp.rig import decode_transfer, encode_transfer

RESOLUTION = (640, 360)


class LookingGlass:
    """Display and camera in one: the photograph is the picture itself, shrunk; white does not burn out."""

    def __init__(self, resolution: tuple[int, int] = RESOLUTION) -> None:
        self.resolution = resolution
        self.exposure_s = None
        self.unlocked = ()
        self.shown: list[np.ndarray] = []

    def show(self, frame: np.ndarray) -> None:
        self.shown.append(frame)

    def grab(self) -> np.ndarray:
        return seen(self.shown[-1])

    def close(self) -> None:
        """Nothing to give back."""


def seen(picture: np.ndarray) -> np.ndarray:
    """The photograph of a picture."""
    return np.minimum(picture[::2, ::2], 250)  # white is not burnt out


def bench(glass: LookingGlass) -> Bench:
    return Bench(display=glass, camera=glass)


@pytest.fixture
def patterns() -> PatternSet:
    return fast_set(RESOLUTION, 2.2)


def count() -> tuple[list[int], object]:
    steps: list[int] = []
    return steps, lambda: steps.append(1)


def test_each_picture_is_shown_before_it_is_photographed() -> None:
    glass = LookingGlass()
    steps, advance = count()
    pictures = [np.full((360, 640), n, np.uint8) for n in (3, 1, 2)]
    photos = list(photograph(bench(glass), pictures, advance=advance))
    assert [int(p[0, 0]) for p in photos] == [3, 1, 2]
    assert len(steps) == 3


def test_a_recorded_scan_holds_every_frame(tmp_path: Path, patterns: PatternSet) -> None:
    _, advance = count()
    glass = LookingGlass()
    assert record_scan(tmp_path, patterns, bench(glass), advance=advance).patterns == patterns
    assert read_patterns(tmp_path / PATTERNS_FILE) == patterns
    paths = read_frames(tmp_path / FRAMES, len(patterns.frames))
    for index, path in enumerate(paths):
        assert np.array_equal(read_photo(path), seen(patterns.picture(index)))


def test_a_display_of_another_size_is_refused(tmp_path: Path, patterns: PatternSet) -> None:
    with pytest.raises(DeviceError, match="1280 x 720"):
        record_scan(tmp_path, patterns, bench(LookingGlass((1280, 720))), advance=lambda: None)
    assert not list(tmp_path.iterdir())


def test_the_periods_follow_the_blur_that_is_measured(tmp_path: Path, patterns: PatternSet) -> None:
    """A Gaussian blur of 6 px: stretched periods, recorded as shown; the stripes that measured it are not kept."""

    class Blurred(LookingGlass):
        def grab(self) -> np.ndarray:
            light = decode_transfer(self.shown[-1] / 255.0, 2.2)
            blurred = cv2.GaussianBlur(light, (0, 0), 6.0, borderType=cv2.BORDER_REFLECT)
            return seen(np.rint(255 * encode_transfer(blurred, 2.2)).astype(np.uint8))

    asked: list[float] = []

    def adapt(blur_px: float) -> PatternSet:
        asked.append(blur_px)
        return fast_set(RESOLUTION, 2.2, blur_px=blur_px)

    recorded = record_scan(tmp_path, patterns, bench(Blurred()), advance=lambda: None, adapt=adapt)
    assert asked[0] == pytest.approx(6.0, abs=0.3)  # px; cells hold no whole number of stripes
    assert recorded.patterns == fast_set(RESOLUTION, 2.2, blur_px=asked[0])
    assert max(recorded.patterns.phase_indices("x")) > 30
    assert read_patterns(tmp_path / PATTERNS_FILE) == recorded.patterns
    assert len(read_frames(tmp_path / FRAMES, len(patterns.frames))) == len(patterns.frames)
    decoded = recorded.decoder.finish()
    column = np.arange(0, 640, 2)
    middle = slice(20, -20)  # of the picture: at its rim the blur of this glass mirrors the stripes
    error = (decoded.u_px - column)[middle, middle]
    assert np.isfinite(error).mean() > 0.99
    assert np.nanmax(np.abs(error)) < 0.5


def test_a_photograph_that_cannot_be_written_stops_the_scan(tmp_path: Path, patterns: PatternSet) -> None:
    (tmp_path / FRAMES).mkdir()
    with pytest.raises(FileExistsError):
        record_scan(tmp_path, patterns, bench(LookingGlass()), advance=lambda: None)
    run = tmp_path / "run"
    run.mkdir()

    class Vandal(LookingGlass):
        def grab(self) -> np.ndarray:
            (run / FRAMES / "0003.png").mkdir(exist_ok=True)
            return super().grab()

    with pytest.raises(InputError, match="0003"):
        record_scan(run, patterns, bench(Vandal()), advance=lambda: None)


def exported(tmp_path: Path, patterns: PatternSet) -> Path:
    away = tmp_path / "away"
    export_patterns(away, patterns, advance=lambda: None)
    (away / FRAMES).mkdir()
    return away


def test_away_scan_round_trip_with_mixed_file_types(tmp_path: Path, patterns: PatternSet) -> None:
    rig = convex_rig()
    away = exported(tmp_path, patterns)
    for index in range(len(patterns.frames)):
        shown = read_photo(away / "patterns" / f"{index:04d}.png")
        assert np.array_equal(shown, patterns.picture(index))
        light = decode_transfer(cv2.resize(shown, (960, 540)) / 255.0, 2.2)  # 16-bit pictures are linear as a rule
        photo = np.rint(50_000 * light).astype(np.uint16)
        write_picture(away / FRAMES / f"{index:04d}.{'tif' if index % 2 else 'png'}", photo)
    run = tmp_path / "run"
    run.mkdir()
    recorded = import_frames(away, run, rig, advance=lambda: None).recorded
    assert recorded.patterns == patterns
    decoded = recorded.decoder.finish()
    row, column = np.mgrid[:540, :960]
    # the photographs are the pictures enlarged by 1.5, pixel centres to pixel centres
    assert np.nanmedian(np.abs(decoded.u_px - ((column + 0.5) / 1.5 - 0.5))) < 0.05
    assert np.nanmedian(np.abs(decoded.v_px - ((row + 0.5) / 1.5 - 0.5))) < 0.05
    assert (run / FRAMES / "0001.tif").read_bytes() == (away / FRAMES / "0001.tif").read_bytes()


def test_exported_patterns_are_not_overwritten(tmp_path: Path, patterns: PatternSet) -> None:
    away = exported(tmp_path, patterns)
    with pytest.raises(InputError, match="new folder"):
        export_patterns(away, patterns, advance=lambda: None)


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["0000.png", "0002.png"], "0001"),
        (["0000.png", "0001.png", "0002.png", "0003.png"], "0003"),
        (["0000.png", "0001.png", "0001.jpg", "0002.png"], "both"),
        ([], "3 of 3"),
    ],
)
def test_wrong_numbering_is_named(tmp_path: Path, names: list[str], said: str) -> None:
    for name in names:
        (tmp_path / name).touch()
    (tmp_path / "Thumbs.db").touch()  # what operating systems leave behind is no photograph
    with pytest.raises(InputError, match=said):
        read_frames(tmp_path, 3)


def test_photographs_of_another_size_are_refused(tmp_path: Path, patterns: PatternSet) -> None:
    away = exported(tmp_path, patterns)
    for index in range(len(patterns.frames)):
        write_picture(away / FRAMES / f"{index:04d}.png", np.zeros((100, 100), np.uint8))
    (tmp_path / "run").mkdir()
    with pytest.raises(InputError, match="100 x 100"):
        import_frames(away, tmp_path / "run", convex_rig(), advance=lambda: None)


def test_patterns_of_another_projector_are_refused(tmp_path: Path) -> None:
    away = exported(tmp_path, fast_set((1280, 720), 2.2))
    (tmp_path / "run").mkdir()
    with pytest.raises(InputError, match="1280 x 720"):
        import_frames(away, tmp_path / "run", convex_rig(), advance=lambda: None)
