"""Photographs belong to what is shown, whatever the camera does: judged by a model that knows the truth of each."""

import itertools
import time

import cv2
import numpy as np
import pytest
from loose_stream import Faults, LooseStream, seen

from rigwarp.capture import Latency, PacedDisplay, averaged, synchronise
from rigwarp.capture.photographs.agreement import learn_agreement
from rigwarp.capture.photographs.synchronised_camera import SynchronisedCamera
from rigwarp.devices import Bench, Shot
from rigwarp.errors import DeviceError, MeasurementError
from rigwarp.patterns import fast_set

PATTERNS = 1000


def settled(stream, **options):
    return synchronise(
        Bench(display=stream, camera=stream), np.random.default_rng(4), changes_per_s=None, changes=12, **options
    )


@pytest.fixture(autouse=True)
def short_settling(monkeypatch):
    """The model's latency is a few milliseconds: nothing has to wait for a second."""
    monkeypatch.setattr("rigwarp.capture.photographs.latency._SETTLE_S", 0.05)


def test_no_mixed_or_stale_photograph_in_a_thousand_patterns():
    """A camera that loses, repeats and delays pictures, with an exposure longer than half its frame time.

    It behaves while the latency is measured; then pictures come up to six frame times later than any did.
    """
    stream = LooseStream()
    bench = settled(stream)
    stream.faults = Faults(lost=0.03, stuck=0.05, late=0.03, late_s=0.012)
    shown = fast_set(stream.resolution, 2.2)
    wrong = []
    for number, index in enumerate(itertools.islice(itertools.cycle(range(len(shown.frames))), PATTERNS)):
        picture = shown.picture(index)
        bench.display.show(picture)
        photo = bench.camera.grab()
        error = photo - seen(picture)
        # noise of 1.5 codes over 48 pixels of a row: its rms is 1.5 +- 0.15, eight sigmas below 2.7;
        # a mixture of 2 per cent of a neighbouring pattern adds 1.6 codes rms, and shows
        if np.sqrt((error**2).mean(axis=1)).max() > 2.7:
            wrong.append(number)
    assert wrong == []
    assert bench.camera.retaken > 20  # there was something to be found


def test_a_known_latency_is_taken_over_where_a_few_changes_confirm_it():
    stream = LooseStream()
    before = settled(stream).latency
    first = len(stream._pictures)
    bench = settled(stream, known_max_s=before.max_s)
    assert len(stream._pictures) - first == 2 + 4  # two test lights at rest, four changes
    assert bench.latency.max_s >= before.max_s
    picture = np.full(stream.resolution[::-1], 100, np.uint8)
    bench.display.show(picture)
    # noise of 1.5 codes over 3072 pixels: five sigmas of its rms are 0.1
    assert np.std(bench.camera.grab() - seen(picture)) < 1.6


def test_a_latency_that_has_grown_is_measured_again():
    stream = LooseStream()
    known_s = settled(stream).latency.max_s
    slower = LooseStream(delay_s=0.03)
    assert settled(slower, known_max_s=known_s).latency.max_s > 0.03


def test_the_latency_is_that_of_the_model():
    stream = LooseStream(frame_s=0.004, exposure_s=0.002, readout_s=0.001, delay_s=0.006, shows_after_s=0.005)
    bench = settled(stream)
    fixed_s = 0.005 + 0.002 + 0.001 + 0.006
    # the wait for the next exposure to begin is between nothing and a frame; this machine's clock is good to 2 ms
    assert fixed_s - 0.0005 < bench.latency.median_s < fixed_s + 0.004 + 0.002
    assert bench.latency.median_s <= bench.latency.max_s < fixed_s + 0.004 + 0.02
    assert bench.latency.frame_s == 0.004


def test_the_same_picture_again_is_photographed_again():
    stream = LooseStream()
    bench = settled(stream)
    photos = []
    for _ in range(3):
        bench.display.show(np.full((48, 64), 90, np.uint8))
        photos.append(bench.camera.grab())
    for one, other in itertools.pairwise(photos):
        assert not np.array_equal(one, other)
        assert np.abs(one.mean() - other.mean()) < 0.5


def test_a_change_too_small_to_be_seen_is_no_stale_photograph(monkeypatch):
    monkeypatch.setattr("rigwarp.capture.photographs.synchronised_camera._STALE_S", 0.05)
    stream = LooseStream()
    bench = settled(stream)
    picture = np.full((48, 64), 90, np.uint8)
    bench.display.show(picture)
    bench.camera.grab()
    picture[3, 4] = 91
    bench.display.show(picture)
    assert bench.camera.grab().mean() == pytest.approx(seen(picture).mean(), abs=0.5)
    fine = np.where(np.arange(64) % 2, 0, 255).astype(np.uint8)  # a camera may see the same in black on white stripes
    monkeypatch.setattr("loose_stream.seen", lambda picture: np.full(picture.shape, 110.0, np.float32))
    for line in (fine, 255 - fine):
        bench.display.show(np.tile(line, (48, 1)))
        assert bench.camera.grab().mean() == pytest.approx(110.0, abs=0.5)


def test_a_display_that_freezes_is_named(monkeypatch):
    monkeypatch.setattr("rigwarp.capture.photographs.synchronised_camera._STALE_S", 0.05)
    stream = LooseStream()
    bench = settled(stream)
    bench.display.show(np.full((48, 64), 90, np.uint8))
    bench.camera.grab()
    monkeypatch.setattr(stream, "show", lambda frame: None)  # also for the repeated one
    bench.display.show(np.full((48, 64), 200, np.uint8))
    with pytest.raises(DeviceError, match="picture before"):
        bench.camera.grab()


def test_light_that_flickers_is_named(monkeypatch):
    monkeypatch.setattr("rigwarp.capture.photographs.synchronised_camera._LONGEST_S", 0.1)
    stream = LooseStream()
    bench = settled(stream)
    steady = stream._developed
    flicker = itertools.count()
    stream._developed = lambda number: np.minimum(steady(number) + 40 * (next(flicker) % 3), 255).astype(np.uint8)
    bench.display.show(np.full((48, 64), 90, np.uint8))
    with pytest.raises(MeasurementError, match="keep differing"):
        bench.camera.grab()


def test_more_noise_than_the_test_lights_had_is_borne():
    stream = LooseStream()
    bench = settled(stream)
    stream.noise = 4.0  # as after four times the exposure: shot noise doubles, and more
    picture = np.full((48, 64), 90, np.uint8)
    bench.display.show(picture)
    assert bench.camera.grab().mean() == pytest.approx(seen(picture).mean(), abs=1.0)


def test_a_camera_that_sees_nothing_of_the_display_is_named():
    stream = LooseStream()
    stream.show = lambda frame: None
    with pytest.raises(MeasurementError, match="hardly any change"):
        settled(stream)


def test_a_camera_without_noise_is_served_too():
    stream = LooseStream(noise=0.0)
    bench = settled(stream)
    for level in (20, 90, 200):
        picture = np.full((48, 64), level, np.uint8)
        bench.display.show(picture)
        assert np.abs(bench.camera.grab() - seen(picture)).max() <= 0.5


def test_an_exposure_that_was_set_is_waited_for():
    """The driver takes three frames to heed it; what was exposed before is not taken for it."""
    stream = LooseStream(settable=True)
    bench = settled(stream)
    picture = np.full((48, 64), 60, np.uint8)
    bench.display.show(picture)
    for seconds, gain in ((0.02, 2.0), (0.005, 0.5), (0.01, 1.0)):
        assert bench.camera.set_exposure(seconds) == bench.camera.exposure_s == seconds
        assert bench.camera.grab().mean() == pytest.approx(gain * seen(picture).mean(), abs=0.5)


def test_the_mean_of_four_has_half_the_noise():
    stream = LooseStream()
    bench = settled(stream)
    picture = np.full((48, 64), 90, np.uint8)
    bench.display.show(picture)
    codes = averaged(bench.camera, 4).grab() / 257.0
    # rounding to whole codes adds a twelfth to each variance; 3072 pixels tell a sigma to 1.3 per cent
    assert codes.std() == pytest.approx(np.sqrt((1.5**2 + 1 / 12) / 4), rel=0.06)


class Scripted:
    """A camera whose next photographs are known, each long after the flip."""

    resolution = (64, 48)
    unlocked, frame_s, exposure_s = (), 0.01, None

    def __init__(self, photos):
        self.photos = list(photos)

    def next_shot(self, after_s):
        return Shot(photo=self.photos.pop(0), arrived_s=max(after_s, time.monotonic()) + 1.0)


def noisy(picture, seed):
    noise = np.random.default_rng(seed).normal(0.0, 1.5, picture.shape)
    return np.clip(np.rint(picture + noise), 0, 255).astype(np.uint8)


def counted(electrons, seed):
    """Twelve bits of a linear camera, whose noise is that of the electrons it counts."""
    random = np.random.default_rng(seed)
    return np.full((48, 64), 16 * random.poisson(electrons, (48, 64)) // 3).astype(np.uint16)


def test_noise_of_white_hides_no_dark_picture():
    """Nor that of an exposure six times as long as the one that latency was measured with."""
    agreement = learn_agreement(*([counted(level, 10 * n + k) for k in range(6)] for n, level in enumerate((80, 900))))
    assert not agreement.same(counted(5, 54), counted(30, 55))
    assert agreement.same(counted(6 * 900, 50), counted(6 * 900, 51))
    assert not agreement.same(counted(6 * 5, 52), counted(6 * 80, 53))


def test_the_picture_before_with_a_trace_of_this_one_is_not_taken_for_it():
    """It agrees with the one before it within noise, and differs from the accepted one just beyond noise."""
    old, new = seen(np.full((48, 64), 60.0)), seen(np.full((48, 64), 180.0))
    still = [[noisy(level, 10 * n + k) for k in range(6)] for n, level in enumerate((old, new))]
    agreement = learn_agreement(*still)
    trace = next(
        mixed
        for share in np.linspace(0.005, 0.1, 200)
        if not agreement.same(mixed := noisy((1 - share) * old + share * new, 77), still[0][0])
    )
    witness = next(w for w in (noisy(old, seed) for seed in range(100, 300)) if agreement.same(w, trace))
    frame = np.full((48, 64), 60, np.uint8)
    latency = Latency(
        median_s=0.01, max_s=0.01, frame_s=0.01, changes=1, agreement=agreement, last=(frame, still[0][0])
    )
    display = PacedDisplay(LooseStream(), changes_per_s=None)
    display.show(np.full((48, 64), 180, np.uint8))
    camera = SynchronisedCamera(
        Scripted([witness, trace, noisy(new, 90), noisy(new, 91), noisy(new, 92)]), display, latency
    )
    assert camera.grab().mean() == pytest.approx(new.mean(), abs=0.5)


@pytest.mark.parametrize("quality", [95, 60, 30])
def test_jpeg_that_hides_the_noise_makes_no_difference_between_photographs_of_one_picture(quality):
    """Few cells change from one photograph to the next, by whole steps, and others the next time."""

    def photo(light, seed):
        codes = np.clip(np.rint(light + np.random.default_rng(seed).normal(0, 1.5, light.shape)), 0, 255)
        jpeg = cv2.imencode(".jpg", codes.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        return cv2.imdecode(jpeg, cv2.IMREAD_GRAYSCALE)

    v, u = np.mgrid[:432, :768]
    lights = [level * np.exp(-np.hypot((u - 384) / 500, (v - 216) / 400)) for level in (30, 130)]
    still = [[photo(light, 100 * n + k) for k in range(6)] for n, light in enumerate(lights)]
    agreement = learn_agreement(*still)
    for n, light in enumerate(lights):
        later = [photo(light, 1000 + 100 * n + k) for k in range(20)]
        assert all(agreement.same(one, still[n][-1]) for one in later)
        assert not any(agreement.same(one, still[1 - n][-1]) for one in later)
