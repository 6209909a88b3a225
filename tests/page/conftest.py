"""One page for all tests that only knock at it."""

import importlib.util
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from page_player import TalkingPlayer


@pytest.fixture(scope="session")
def rigs() -> ModuleType:
    """How tests/live makes a rig folder with results."""
    path = Path(__file__).parents[1] / "live" / "result_rig.py"
    spec = importlib.util.spec_from_file_location("result_rig", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def page_rig(rigs: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = rigs.make_rig(tmp_path_factory.mktemp("page") / "rig")
    rigs.add_result(root, 2.0)
    return root


@pytest.fixture(scope="session")
def player(page_rig: Path) -> Iterator[TalkingPlayer]:
    talking = TalkingPlayer(page_rig, call="the workshop, extension 12")
    yield talking
    talking.close()
