"""The model and the camera of every test here."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from as_built_rig import make_camera, make_model


@pytest.fixture(scope="session")
def model():
    return make_model()


@pytest.fixture(scope="session")
def camera():
    return make_camera()
