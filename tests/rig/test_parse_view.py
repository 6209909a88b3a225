"""[view] and its tables: what is refused, in words that say what to do."""

import re
from pathlib import Path

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.rig import parse_rig

REFERENCE = (Path(__file__).parents[2] / "demos" / "rig_reference.toml").read_text(encoding="utf-8")


def test_defaults() -> None:
    """The top view is the table, about 1600 pixels wide; the sheet is [target]'s."""
    without = re.sub(r"^\[view\.(target|top)\].*?(?=^\[|\Z)", "", REFERENCE, flags=re.DOTALL | re.MULTILINE)
    rig = parse_rig(without)
    assert rig.view is not None
    assert rig.view.target == rig.target
    assert rig.view.top.size_mm == rig.table.size_mm
    assert max(rig.view.top.pixels) == 1600
    np.testing.assert_array_equal(rig.view.placement.position_mm, [0.0, 0.0, 100.0])


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ("focal_px = 1400.0", "focal = 1400.0", r"view\.focal: found an unknown key .* Did you mean focal_px\?"),
        ("device = 0 ", 'device = "run: photo {file}.jpg" ', r"view\.device: found the text .run: .*stream address"),
        ("device = 0 ", 'device = "genicam:" ', r"view\.device: found the text .genicam:., "),
        ("focal_px = 1400.0", "", r"view\.focal_px: found nothing, expected a number above 0"),
        ("[[view.mirror]] ", "[view.mirror] ", r"view\.mirror: found a table, expected at least one"),
        (
            "mm_per_pixel = 0.5 ",
            "mm_per_pixel = 0.001 ",
            r"view\.top\.mm_per_pixel: found 0.001, which",
        ),
        ("[[view.mirror.facet]]", "[[view.mirror.facets]]", r"view\.mirror\[0\]\.facets: found an unknown key"),
        ('# lens = "view_lens.json"', 'lens = "lens.png"', r"view\.lens: .* a name ending in \.json"),
    ],
)
def test_mistakes_are_told(right: str, wrong: str, told: str) -> None:
    text = REFERENCE[: REFERENCE.index("[view]")] + REFERENCE[REFERENCE.index("[view]") :].replace(right, wrong, 1)
    assert text != REFERENCE
    with pytest.raises(InputError, match=told):
        parse_rig(text)
