"""What OpenGL tests need: missing means skipped, or failed when RIGWARP_REQUIRE_GL=1."""

import pytest
from required import is_required, lack

from rigwarp.errors import DeviceError
from rigwarp.live.render.gl_context import COMPUTE_VERSION, standalone_context


@pytest.fixture(scope="session")
def gl_available() -> str:
    """The name of the OpenGL renderer."""
    try:
        context = standalone_context()
    except DeviceError as error:
        lack("GL", str(error))
    name = str(context.info["GL_RENDERER"])
    context.release()
    return name


@pytest.fixture(scope="session")
def gl_ways(gl_available: str) -> tuple[str, ...]:
    """How the GPU renderer can draw here."""
    context = standalone_context()
    version = context.version_code
    context.release()
    if version >= COMPUTE_VERSION:
        return ("drawn", "computed", "meshed")
    if is_required("GL"):
        pytest.fail(f"{gl_available} has version {version} of OpenGL and no compute shaders")
    return ("drawn", "meshed")


@pytest.fixture(params=["drawn", "computed", "meshed"])
def way(request: pytest.FixtureRequest, gl_ways: tuple[str, ...]) -> str:
    """One way of drawing after the other."""
    if request.param not in gl_ways:
        pytest.skip("no compute shaders here")
    return str(request.param)
