"""Which colour of the photographs is used: said by the pre-flight, set in rig.toml."""

import numpy as np
import pytest

from rigwarp.capture.preflight.look import judge_channels
from rigwarp.devices import Bench
from rigwarp.devices.video_camera import as_grey


class Display:
    resolution = (64, 48)

    def show(self, frame):
        self.code = int(frame[0, 0])

    def close(self):
        pass


class Camera:
    """Sees blue, green and red of the projector's white by `light`, with noise."""

    unlocked, resolution, exposure_s = (), (160, 120), None

    def __init__(self, display, light, noise):
        self.display, self.light, self.noise = display, np.array(light), np.array(noise)
        self.random = np.random.default_rng(1)
        display.code = 0

    def set_exposure(self, seconds):
        return None

    def look_colour(self):
        seen = 10 + self.light * self.display.code / 255 + self.random.normal(0, 1, (120, 160, 3)) * self.noise
        return np.clip(np.rint(seen), 0, 255).astype(np.uint8)

    def look(self):
        return as_grey(self.look_colour())

    grab = look

    def close(self):
        pass


def judged(light, noise, used="grey"):
    display = Display()
    return judge_channels(Bench(display=display, camera=Camera(display, light, noise)), used)


@pytest.mark.parametrize(
    ("light", "noise", "used", "severity", "best"),
    [
        ((90, 150, 120), (2, 2, 2), "grey", "fine", "grey"),  # noise of three averages out
        ((190, 60, 20), (1, 2, 3), "grey", "remark", "blue"),  # a blue laser
        ((190, 60, 20), (1, 2, 3), "blue", "fine", "blue"),
        ((30, 150, 250), (2, 2, 2), "red", "remark", "green"),  # red is burnt out, and with it grey
    ],
)
def test_the_best_channel_is_named(light, noise, used, severity, best):
    finding = judged(light, noise, used)
    assert finding.severity == severity
    assert finding.text.startswith(f"{best} carries the light")
    assert ("camera.channel" in finding.text) == (severity == "remark")
    # light over noise, as drawn above
    channel = best if best != "grey" else "green"
    index = ("blue", "green", "red").index(channel)
    assert finding.figures[channel] == pytest.approx(light[index] / np.hypot(noise[index], 0.29), rel=0.1)


def test_light_on_a_small_part_of_exact_black():
    """As of a network camera whose video cuts off black: most of its picture is 0 whatever is shown."""

    class Cut(Camera):
        def look_colour(self):
            seen = super().look_colour()
            seen[:, 40:] = 0
            return seen

    display = Display()
    finding = judge_channels(Bench(display=display, camera=Cut(display, (90, 150, 120), (2, 2, 2))), "grey")
    assert finding.text.startswith("grey carries the light as well as any")
    assert finding.figures["green"] == pytest.approx(150 / np.hypot(2, 0.29), rel=0.1)


def test_white_that_is_burnt_out_prefers_no_colour():
    finding = judged((250, 250, 250), (2, 2, 2))
    assert finding.severity == "remark"
    assert "burnt out in every colour" in finding.text


def test_black_and_white_has_no_channels():
    class Grey(Camera):
        def look_colour(self):
            return super().look_colour()[..., 0]

        def look(self):
            return self.look_colour()

    display = Display()
    assert judge_channels(Bench(display=display, camera=Grey(display, (9, 9, 9), (1, 1, 1))), "grey") is None


def test_a_channel_is_taken_as_it_is():
    picture = np.array([[[10, 20, 30], [255, 100, 100]]], np.uint8)
    assert as_grey(picture, channel="green").tolist() == [[20, 100]]
    assert as_grey(picture, channel="blue").tolist() == [[10, 255]]
    assert as_grey(picture, channel="red").tolist() == [[30, 100]]
    assert as_grey(picture[..., 0], channel="red").tolist() == [[10, 255]]  # grey has none
