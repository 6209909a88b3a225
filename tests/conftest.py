"""Settings that must stand before NumPy is imported, what all tests share, and the order of the long ones."""

import gc
import os

# as the command line does: the fits solve many small systems, for which several BLAS threads get in each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
os.environ.pop("COLUMNS", None)  # pytest-xdist sets it: error lines would be broken for a terminal that is not there

import cv2
import numpy as np
import pytest


@pytest.fixture(autouse=True)
def _environment_put_back():
    """What a command tells SDL and OpenCV through the environment must not reach the next test's programs."""
    before = dict(os.environ)
    yield
    for name in os.environ.keys() - before.keys():
        del os.environ[name]
    os.environ.update(before)


@pytest.fixture(autouse=True, scope="session")
def _light_carried_once():
    """Opening a virtual rig anew costs nothing but its new photographs."""
    from shared_scenes import share_scenes

    with pytest.MonkeyPatch.context() as patch:
        share_scenes(patch)
        yield


_DRAWN = ("tests/reports/", "keeps_its_promises[round-table]")
"""Where pictures are looked at: the tests of figures and reports, and the demo that is run as a visitor runs it."""


@pytest.fixture(autouse=True, scope="session")
def _pictures_left_white():
    """Elsewhere figures are composed but not drawn: laying out their text takes a third of a whole job's time."""
    from rigwarp.reports.figures import style

    draw = style.png

    def white(figure, **how):
        if any(place in os.environ["PYTEST_CURRENT_TEST"] for place in _DRAWN):
            return draw(figure, **how)
        width, height = (figure.get_size_inches() * figure.dpi).astype(int)
        return cv2.imencode(".png", np.full((height, width), 255, np.uint8))[1].tobytes()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(style, "png", white)
        yield


_LONG = (
    "test_demo.py",
    "test_scan_raised.py",
    "test_verify_drift.py",
    "test_opened_rig.py",
    "test_zones_one_at_a_time.py",
    "test_whole_job.py",
    "test_screen_in_the_loop.py",
    "test_camera_estimates.py",
    "test_sheet_on_a_board.py",
    "test_fine_ripple_rig.py",
    "test_smear.py",
    "test_resume.py",
)
"""Whole jobs: each of these files takes a worker half a minute or more."""


def pytest_collection_modifyitems(items):
    """Long files first: else one worker is left alone with them at the end (see --no-loadscope-reorder)."""
    rank = {name: number for number, name in enumerate(_LONG)}
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """What is imported and collected, half a million objects, stays to the end: it is never looked through for garbage.

    A tenth of the processor's time went there, with Python's threshold of 700 new objects.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.set_threshold(10_000)
        gc.enable()
