"""Settings that must stand before NumPy is imported, and the environment that every test finds as it was."""

import os

import pytest

# as the command line does: the fits solve many small systems, for which several BLAS threads get in each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")


@pytest.fixture(autouse=True)
def _environment_put_back():
    """What a command tells SDL and OpenCV through the environment must not reach the next test's programs."""
    before = dict(os.environ)
    yield
    for name in os.environ.keys() - before.keys():
        del os.environ[name]
    os.environ.update(before)
