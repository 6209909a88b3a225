"""A rig folder with a view of two flat wings, in closed form."""

import pytest
from two_wings import make_rig


@pytest.fixture(scope="session")
def wings_rig(tmp_path_factory):
    return make_rig(tmp_path_factory.mktemp("wings") / "rig")
