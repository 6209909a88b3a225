"""Hot swap and saving: new results and corrections are taken over, broken ones refused, nothing is lost."""

import importlib.util
import json
import random
import time
from pathlib import Path

import numpy as np
import pytest

from rigwarp.files import current_result, open_rig, read_adjustment, read_prewarp, write_adjustment
from rigwarp.files.names import ADJUST_FILE, REFUSED_FILE
from rigwarp.live import CpuRenderer, warp_of
from rigwarp.live.operate.keeper import WarpKeeper
from rigwarp.live.operate.operator import Input
from rigwarp.live.run.session import Session
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.source import StillSource
from rigwarp.prewarp import UNCHANGED, Adjustment

_spec = importlib.util.spec_from_file_location("result_rig", Path(__file__).with_name("result_rig.py"))
result_rig = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(result_rig)

PICTURE = np.random.default_rng(2).integers(0, 256, (100, 100, 3), dtype=np.uint8)


@pytest.fixture
def rig(tmp_path):
    return result_rig.make_rig(tmp_path / "rig")


def warp_in(rig, **options):
    return warp_of(read_prewarp(current_result(rig) / "prewarp.npz"), open_rig(rig).rig.content, **options)


@pytest.fixture
def kept(rig):
    """A keeper at work, its counters, and its warp."""
    counts = Counts()
    keeper = WarpKeeper(warp_in(rig), root=rig, counts=counts)
    keeper.picture_size = (100, 100)
    keeper.start()
    yield keeper, counts
    keeper.close()


def until(found, seconds=8.0):
    deadline = time.monotonic() + seconds
    while not (result := found()) and time.monotonic() < deadline:
        time.sleep(0.01)
    return result


def test_a_new_result_is_taken_over_ready_to_draw(rig, kept):
    keeper, counts = kept
    result_rig.add_result(rig, 12.0)
    fresh = until(keeper.take)
    assert fresh is not None
    assert not fresh.from_file
    assert fresh.warp.is_ready_for((100, 100))  # the slow part is done
    np.testing.assert_array_equal(CpuRenderer(fresh.warp).render(PICTURE), CpuRenderer(warp_in(rig)).render(PICTURE))
    assert (counts.swaps, counts.refused) == (1, 0)
    assert keeper.take() is None


def test_broken_results_are_refused_and_the_next_good_one_is_taken(rig, kept, caplog):
    """current.json and prewarp.npz damaged in many ways; after each the old warp is still the one in use."""
    keeper, counts = kept
    current = rig / "current.json"
    good, dice = current.read_bytes(), random.Random(3)
    spoiled = [b"", b"{", b"[]", b'{"format": "rigwarp current", "version": 1, "result": "../elsewhere"}', b"\xff\xfe"]
    spoiled += [bytes(b if dice.random() > 0.1 else dice.randrange(256) for b in good) for _ in range(4)]
    for number, data in enumerate(spoiled, start=1):
        current.write_bytes(data)
        assert until(lambda n=number: counts.refused >= n), data
        assert keeper.take() is None
    run = result_rig.add_result(rig, 5.0, current=False)
    (run / "prewarp.npz").write_bytes((run / "prewarp.npz").read_bytes()[:5000])
    current.write_text(json.dumps({"format": "rigwarp current", "version": 1, "result": f"results/{run.name}"}))
    assert until(lambda: counts.refused >= len(spoiled) + 1)
    result_rig.add_result(rig, 7.0, resolution=(64, 48))
    assert until(lambda: counts.refused >= len(spoiled) + 2)
    assert "start again" in caplog.text
    result_rig.add_result(rig, 9.0)
    assert until(keeper.take) is not None


def test_corrections_are_saved_and_counted_up(rig, kept):
    keeper, counts = kept
    for x in (1.0, 2.0, 3.0):
        keeper.want(Adjustment(shift_mm=(x, 0.0)), save=True)
        assert until(lambda x=x: (f := keeper.take()) and f.warp.adjustment.shift_mm == (x, 0.0))
    assert until(lambda: read_adjustment(rig / ADJUST_FILE) == (Adjustment(shift_mm=(3.0, 0.0)), 3))
    time.sleep(0.6)
    assert keeper.take() is None  # its own writing is no news
    assert counts.refused == 0


def test_a_change_that_meets_our_own_saving_is_kept_aside(rig):
    """Somebody writes the file and somebody else presses a key before it is looked at: the key wins, both are kept."""
    keeper = WarpKeeper(warp_in(rig), root=rig)
    write_adjustment(rig / ADJUST_FILE, Adjustment(turn_deg=7.0), revision=4)
    keeper.want(Adjustment(turn_deg=3.0), save=True)
    keeper.start()
    assert until(lambda: (rig / REFUSED_FILE).exists() and (rig / ADJUST_FILE).exists())
    keeper.close()
    assert read_adjustment(rig / REFUSED_FILE)[0] == Adjustment(turn_deg=7.0)
    assert read_adjustment(rig / ADJUST_FILE)[0] == Adjustment(turn_deg=3.0)


def test_a_correction_from_outside_is_taken_over_and_a_broken_one_is_kept_aside(rig, kept):
    keeper, counts = kept
    path = rig / ADJUST_FILE
    write_adjustment(path, Adjustment(turn_deg=2.0), revision=4)
    fresh = until(keeper.take)
    assert fresh.from_file
    assert fresh.warp.adjustment == Adjustment(turn_deg=2.0)
    path.write_text('{"format": "rigwarp adjust", "version": 1, "turn_deg": "a lot", "note": "three hours of work"}')
    assert until(lambda: counts.refused >= 1)
    assert keeper.take() is None
    keeper.want(Adjustment(turn_deg=3.0), save=True)
    assert until(lambda: (rig / REFUSED_FILE).exists())
    assert "three hours of work" in (rig / REFUSED_FILE).read_text()
    assert until(lambda: path.exists() and read_adjustment(path) == (Adjustment(turn_deg=3.0), 5))
    until(keeper.take)
    path.unlink()
    fresh = until(keeper.take)
    assert fresh.warp.adjustment == UNCHANGED


def test_closing_saves_what_was_asked_for_last(rig):
    keeper = WarpKeeper(warp_in(rig), root=rig)
    keeper.start()
    keeper.want(Adjustment(scale=1.5), save=True)
    keeper.close()
    assert read_adjustment(rig / ADJUST_FILE)[0] == Adjustment(scale=1.5)


def test_a_session_moves_content_by_the_millimetres_of_its_keys(rig):
    """A dot 10 mm wide, moved 10 mm to the right by Shift and an arrow: its centroid on the table moves as far."""
    warp = warp_in(rig)
    keeper = WarpKeeper(warp, root=rig)
    keeper.start()
    picture = np.zeros((400, 400, 3), np.uint8)
    picture[190:204, 190:204] = 255
    session = Session(warp, StillSource(picture), keeper=keeper)
    renderer = CpuRenderer(warp)

    def centroid():
        light = (renderer.render(picture)[..., 0] / 255.0) ** 2.2
        spots = np.array([session.table_mm((u, v)) or (0.0, 0.0) for v, u in zip(*np.nonzero(light), strict=True)])
        return (spots * light[light > 0][:, None]).sum(axis=0) / light.sum()

    try:
        session.picture(0.0)
        before = centroid()
        session.handle(Input(kind="key", key="1"))
        session.handle(Input(kind="key", key="right", shift=True))
        assert "10.0 mm" in session.operator.words()
        fresh = until(session.fresh_warp)
        renderer.use(fresh)
        np.testing.assert_allclose(centroid() - before, [10.0, 0.0], atol=0.1)  # the bend over 10 mm
        session.handle(Input(kind="key", key="6"))
        for kind, at in (("press", (160, 90)), ("move", (170, 90)), ("release", (170, 90))):
            session.handle(Input(kind=kind, at_px=at))
        (drag,) = session.operator.adjustment.drags
        assert drag.by_mm[0] == pytest.approx(12.0, abs=0.5)  # 10 pixels of 1.2 mm
        assert until(lambda: len(read_adjustment(rig / ADJUST_FILE)[0].drags) == 1)
        assert session.picture(0.1) is not picture  # the overlay is on it
        assert session.picture(60.0) is picture  # and gone again
    finally:
        session.close()
