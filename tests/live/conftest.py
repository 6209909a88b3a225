"""An OpenGL context for tests that need one: missing means skipped, or failed when RIGWARP_REQUIRE_GL=1."""

import os

import pytest

from rigwarp.errors import DeviceError
from rigwarp.live.gl import standalone_context

REQUIRE = "RIGWARP_REQUIRE_GL"


@pytest.fixture(scope="session")
def gl_available() -> str:
    """The name of the OpenGL renderer."""
    try:
        context = standalone_context()
    except DeviceError as error:
        if os.environ.get(REQUIRE, "") not in ("", "0"):
            pytest.fail(f"{REQUIRE} is set: {error}")
        pytest.skip(str(error))
    name = str(context.info["GL_RENDERER"])
    context.release()
    return name
