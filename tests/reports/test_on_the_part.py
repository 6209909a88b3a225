"""Maps of the mirror say how to find their axes on the part: seen from the light, an arrow to an edge of the table."""

from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

import rigwarp
from rigwarp.reports.figures import style
from rigwarp.reports.figures.mirror import OnThePart, deviation_map
from rigwarp.rig import Mirror, parse_rig


def mirror(rotation_deg: str) -> Mirror:
    file = Path(rigwarp.__file__).parent / "scenarios" / "folded-counter" / "rig.toml"
    text = file.read_text(encoding="utf-8")
    return parse_rig(text.replace("rotation_deg = [180.0, 0.0, 0.0]", f"rotation_deg = {rotation_deg}")).mirror


@pytest.mark.parametrize(
    ("rotation_deg", "way"),
    [
        ("[180.0, 0.0, 0.0]", (0.0, 1.0)),  # its y points to the front
        ("[0.0, 0.0, 0.0]", (0.0, -1.0)),
        ("[0.0, 0.0, 90.0]", (-1.0, 0.0)),  # its x points away from the front, to the table's +y
        ("[180.0, 0.0, 90.0]", (-1.0, 0.0)),
    ],
)
def test_the_arrow_points_to_the_front(rotation_deg: str, way: tuple[float, float]) -> None:
    """Worked out by hand from R = Rz Ry Rx: table (0, -1, 0) in the mirror's own axes."""
    part = OnThePart.mounted(mirror(rotation_deg), 1)
    assert part.towards == "table's front"
    assert part.way == pytest.approx(way, abs=1e-9)


def test_a_mirror_that_stands_upright_shows_the_side_instead() -> None:
    part = OnThePart.mounted(mirror("[90.0, 0.0, 0.0]"), 1)  # its z lies along the table's y
    assert part.towards == "table's right"
    assert part.way == pytest.approx((1.0, 0.0), abs=1e-9)


@pytest.mark.parametrize("side", [1, -1])
def test_maps_are_seen_from_the_light(side: int, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Figure] = []
    monkeypatch.setattr(style, "png", lambda figure, **_: drawn.append(figure) or b"")
    line = np.arange(-5.0, 6.0)
    part = OnThePart(side=side, way=np.array([1.0, 0.0]), towards="table's right")
    deviation_map(line, line, np.add.outer(line, line), part=part)
    axes = drawn[0].axes[0]
    assert axes.xaxis_inverted() == (side < 0)
    (arrow,) = [text for text in axes.texts if getattr(text, "arrow_patch", None) is not None]
    assert np.sign(arrow.xy[0] - arrow.xyann[0]) == side  # +x is to the left when it is seen from -z
