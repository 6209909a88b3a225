"""The player's window, lent to a measurement: when, what is shown, and how the content comes back."""

import bent_rig
import numpy as np
import pytest
from forked import forked
from offscreen_show import interlude_show

from rigwarp.errors import DisplayTakenBack, InputError, MeasurementError
from rigwarp.live.operate.interlude import Interludes, LentDisplay, Quiet, hold_interlude
from rigwarp.live.operate.operator import Input
from rigwarp.live.render.warp import warp_of
from rigwarp.live.run.session import Session
from rigwarp.live.sources.source import StillSource

SOON = Quiet(untouched_s=1.0)


class Loop(StillSource):
    """A source that goes round every four seconds and remembers what it was asked for."""

    def __init__(self, round_s=4.0):
        super().__init__(np.full((4, 4, 3), 99, np.uint8))
        self.round_s, self.times = round_s, []

    def at(self, time_s):
        self.times.append(time_s)
        return super().at(time_s)


class Paper:
    """A window that remembers."""

    resolution = (6, 4)

    def __init__(self):
        self.frames = []

    def show_frame(self, frame):
        self.frames.append(frame)


def session_with(source):
    return Session(warp_of(bent_rig.plain_prewarp(size=(4, 4))), source)


def measure(display):
    """Nothing."""


def first_due(session, times):
    for now in times:
        if session.measurement_due(now) is not None:
            return now
        session.picture(now)
    return None


def test_waits_for_the_end_of_the_loop():
    session = session_with(Loop())
    session.interludes.ask(measure, quiet=SOON)
    assert first_due(session, np.arange(0.0, 9.0, 0.5)) == 4.0
    assert not session.interludes.waiting
    session.close()


def test_a_still_picture_needs_no_seam_and_darkness_neither():
    still, dark = session_with(Loop(round_s=None)), session_with(Loop())
    dark.dark = True
    for session in (still, dark):
        session.interludes.ask(measure, quiet=SOON)
        assert first_due(session, np.arange(0.0, 9.0, 0.5)) == 1.0  # untouched for a second
        session.close()


def test_somebody_at_the_keys_puts_it_off():
    session = session_with(Loop(round_s=None))
    session.interludes.ask(measure, quiet=SOON)
    session.picture(0.9)
    session.handle(Input(kind="key", key="1"))
    assert first_due(session, np.arange(1.0, 9.0, 0.1)) == pytest.approx(1.9)
    session.close()


def test_patience_ends():
    session = session_with(Loop(round_s=1000.0))
    session.interludes.ask(measure, quiet=Quiet(untouched_s=1.0, patience_s=5.0))
    session.picture(2.0)
    assert first_due(session, np.arange(2.0, 9.0, 0.5)) == 7.0
    session.close()


def test_it_can_be_called_off():
    asked = Interludes()
    asked.ask(measure, quiet=SOON)
    asked.cancel()
    assert asked.due(100.0, at_seam=True) is None


def test_time_goes_on_where_it_stood():
    loop = Loop()
    session = session_with(loop)
    session.picture(3.9)
    session.after_interlude(60.0)  # from 4.0 to 64.0
    session.picture(64.0)
    session.picture(64.5)
    assert loop.times == pytest.approx([3.9, 4.0, 4.5])
    assert session.pacing.counts.interludes == 1
    session.close()


def test_frames_of_a_wrong_kind_are_refused():
    display = LentDisplay(Paper(), taken_back=lambda: None, shown=lambda: None)
    for wrong in (np.zeros((6, 4), np.uint8), np.zeros((4, 6), np.uint16), np.zeros((4, 6, 4), np.uint8)):
        with pytest.raises(InputError, match="expected uint8"):
            display.show(wrong)


def test_taken_back_in_the_middle_and_never_used_afterwards(caplog):
    paper, wanted = Paper(), []
    display = LentDisplay(paper, taken_back=lambda: wanted[0] if wanted else None, shown=lambda: None)

    def measurement(display):
        display.show(np.zeros((4, 6), np.uint8))
        wanted.append("somebody is there")
        display.show(np.zeros((4, 6), np.uint8))

    caplog.set_level("INFO", "rigwarp")
    hold_interlude(measurement, display)
    assert len(paper.frames) == 1
    assert "somebody is there" in caplog.text
    with pytest.raises(DisplayTakenBack, match="over"):
        display.show(np.zeros((4, 6), np.uint8))


def test_a_failing_measurement_ends_nothing_but_itself(caplog):
    def measurement(display):
        raise MeasurementError("too dark")

    hold_interlude(measurement, LentDisplay(Paper(), taken_back=lambda: None, shown=lambda: None))
    assert "too dark" in caplog.text


def run(drawing, how):
    return forked(interlude_show, drawing, how, environment={"SDL_VIDEODRIVER": "offscreen"})


@pytest.mark.parametrize("drawing", ["cpu", pytest.param("gl", marks=pytest.mark.gl)])
def test_patterns_are_shown_to_the_pixel_between_two_frames_of_content(drawing, request):
    if drawing == "gl":
        request.getfixturevalue("gl_available")
    result = run(drawing, "quietly")
    shown, left = result["seen"][:-2], result["seen"][-2:]
    assert left == ["black", "black"]
    first = shown.index("grey")
    assert first >= 1
    assert shown == ["content"] * first + ["grey", "colour", "grey"] + ["content"] * (len(shown) - first - 3)
    assert shown[-1] == "content"  # no black, nothing mixed
    assert result["counts"]["interludes"] == 1


def test_a_key_takes_the_window_back():
    result = run("cpu", "key")
    assert result["ended"] == [True]
    assert result["reason"] == "key"
    assert result["seen"][-4:] == ["grey", "colour", "black", "black"]
