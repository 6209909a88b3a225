"""Taking the calibration photos live: a camera that shows what a hand does, and an operator who answers."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from small_rig import make_small_rig

from rigwarp.capture.preview.board_session import BoardSession
from rigwarp.devices import open_virtual
from rigwarp.errors import MeasurementError
from rigwarp.files import open_rig
from rigwarp.jobs.bench.camera_live import VirtualHand

LOOK_S = 0.4


class Hand:
    """A camera before which somebody holds the board: photos in order, the last one for ever."""

    unlocked = ()

    def __init__(self, photos):
        self._photos = list(photos)
        self.looks = 0

    def look(self):
        self.looks += 1
        return self._photos.pop(0) if len(self._photos) > 1 else self._photos[0]

    def clock(self):
        return self.looks * LOOK_S


class Watcher:
    """Remembers what was shown; answers from a list of (look number, answer)."""

    def __init__(self, hand, *answers):
        self._hand, self._answers = hand, dict(answers)
        self.states = []

    def show(self, photo, state):
        self.states.append(state)

    def asked(self):
        return self._answers.pop(self._hand.looks, None)


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    """The rig, five board photos, and the sheet on the table."""
    folder = open_rig(make_small_rig(tmp_path_factory.mktemp("session") / "rig"))
    virtual = open_virtual(folder)
    return folder.rig, virtual.board_photos(5), virtual.table_sheet_photo()


def session(rig, hand, watcher):
    return BoardSession(hand, rig, clock=hand.clock, show=watcher.show, asked=watcher.asked)


def held(photos, looks=8):
    return [photo for photo in photos for _ in range(looks)]


def test_shots_then_the_sheet(scene, tmp_path: Path):
    rig, boards, sheet = scene
    hand = Hand([*held(boards), *held([sheet])])
    watcher = Watcher(hand, (41, "go"), (44, "go"))
    kept = []
    at_work = session(rig, hand, watcher)
    shots = at_work.board_shots(keep=lambda photo, number: kept.append((number, photo)))
    of_sheet = at_work.sheet_photo()
    assert len(shots) == 5
    assert [number for number, _ in kept] == [0, 1, 2, 3, 4]  # handed out the moment they are taken
    assert all(np.array_equal(a, b) for a, (_, b) in zip(shots, kept, strict=True))
    assert np.array_equal(of_sheet, sheet)
    titles = [state.title for state in watcher.states]
    assert titles.index("Sheet on the table") == 41  # with the look after "go"
    # lens and pose are known by now: the content area is outlined, centred on the sheet in the table's perspective
    outline = watcher.states[-1].outline_px
    middle = watcher.states[-1].view.image_px.mean(axis=0)
    assert np.isfinite(outline).all()
    assert np.linalg.norm(outline.mean(axis=0) - middle) < 0.15 * np.ptp(outline, axis=0).max()
    counting = [state.left_s for state in watcher.states if state.left_s is not None]
    assert counting[:4] == pytest.approx([1.5, 1.1, 0.7, 0.3])


def test_go_needs_three_shots(scene):
    rig, boards, sheet = scene
    hand = Hand([*held(boards[:2]), *held([sheet], 20)])
    watcher = Watcher(hand, (3, "go"), (25, "go"), (27, "go"))
    at_work = session(rig, hand, watcher)
    shots = at_work.board_shots()
    at_work.sheet_photo()
    assert len(shots) == 3  # the sheet itself, held still before the camera, was the third
    assert watcher.states[3].title == "Board in the hand"  # the first "go" came too early


def test_a_sheet_that_is_half_hidden_is_refused(scene):
    rig, _, sheet = scene
    hidden = sheet.copy()
    hidden[:, : sheet.shape[1] // 2] = 60
    hand = Hand([*held([hidden], 5), *held([sheet], 5)])
    watcher = Watcher(hand, (2, "go"), (7, "go"))
    found = session(rig, hand, watcher).sheet_photo()
    assert np.array_equal(found, sheet)
    assert watcher.states[1].urgent
    assert "uncover" in watcher.states[1].prompt


def test_a_sheet_that_is_half_hidden_is_taken_by_whoever_insists(scene):
    rig, _, sheet = scene
    hidden = sheet.copy()
    hidden[:, : sheet.shape[1] // 2] = 60
    hand = Hand(held([hidden], 8))
    found = session(rig, hand, Watcher(hand, (2, "go"), (5, "go"))).sheet_photo()
    assert np.array_equal(found, hidden)
    assert hand.looks == 5


def test_a_virtual_sheet_that_cannot_be_seen_is_no_endless_wait(scene):
    rig, _, sheet = scene
    hand = VirtualHand(SimpleNamespace(table_sheet_photo=lambda: np.full_like(sheet, 60)), with_board=False)
    with pytest.raises(MeasurementError, match="too little of the sheet"):
        BoardSession(hand, rig, clock=hand.clock, show=lambda photo, state: None, asked=hand.asked).sheet_photo()


def test_stop_ends_it(scene):
    rig, boards, _ = scene
    hand = Hand(held(boards))
    watcher = Watcher(hand, (4, "stop"))
    with pytest.raises(KeyboardInterrupt):
        session(rig, hand, watcher).board_shots()


def test_the_watcher_is_told_what_is_wanted(scene):
    rig, boards, sheet = scene
    hand = Hand([*held(boards[:3]), *held([sheet])])
    watcher = Watcher(hand, (24, "go"))
    session(rig, hand, watcher).board_shots()
    last = watcher.states[-1]
    assert last.lines[0] == "3 shots kept"
    assert "9 more shots" in last.lines[1]
    assert (last.cells > 0).any()
    assert last.view.n > 20
