"""A fine ripple on a virtual rig, whose light is followed from all over the projector's pupil, from scan to result."""

import json
import re

import pytest
from small_rig import make_small_rig

from rigwarp.cli import main
from rigwarp.devices import open_virtual
from rigwarp.files import current_result, open_rig

RIPPLE = "[[built.ripple]]\namplitude_um = 0.5\nperiod_mm = 0.9\ndirection_deg = 90.0\n\n[projector]"


def rig_with(root, *, ripple):
    """A pupil of 5 mm, focused 100 mm behind the mirror, lights 2.3 mm of it: two and a half periods. It is filled with
    19 points, 0.48 mm apart there, and pixels are 0.2 mm apart: four and a half to a period."""
    make_small_rig(root, share=0.4)
    text = (root / "virtual.toml").read_text(encoding="utf-8")
    for old, new in (
        ("pupil_diameter_mm = 2.5", "pupil_diameter_mm = 5.0\nfocus_mm = 220.0"),
        ("pupil_samples = 7", "pupil_samples = 19"),
        *([("[projector]", RIPPLE)] if ripple else []),
    ):
        assert re.search(rf"^{re.escape(old)}", text, re.MULTILINE)
        text = re.sub(rf"^{re.escape(old)}", new, text, count=1, flags=re.MULTILINE)
    (root / "virtual.toml").write_text(text, encoding="utf-8")
    camera = open_virtual(open_rig(root)).true_camera()
    (root / "camera.json").write_text(json.dumps(camera), encoding="utf-8")
    return root


@pytest.fixture(scope="module", params=[True, False], ids=["rippled", "smooth"])
def told(request, tmp_path_factory):
    root = rig_with(tmp_path_factory.mktemp("fine") / "rig", ripple=request.param)
    assert main(["scan", str(root), "--no-look"]) == 0
    assert main(["fit", str(root)]) == 0
    numbers = json.loads((current_result(root) / "as_built.json").read_text(encoding="utf-8"))
    return request.param, numbers


def test_the_ripple_is_found_and_nothing_where_there_is_none(told):
    """0.5 um every 0.9 mm are slopes of 2.47 mrad rms. The virtual light is straight between a pixel's corners, which
    takes a tenth of them; direction is known within what the estimate says."""
    rippled, numbers = told
    entry = numbers["fine_ripple"]
    assert entry["estimate"] is True
    assert entry["looked_for"] is True
    said = [finding for finding in numbers["findings"] if finding["effect"].startswith("spreads")]
    assert len(said) == len(entry["found"]) == int(rippled)
    if rippled:
        ripple = entry["found"][0]
        assert ripple["slope_rms_mrad"] == pytest.approx(2.47, rel=0.3)
        assert abs((ripple["direction_deg"] - 90.0 + 90.0) % 180.0 - 90.0) < 20.0
        assert ripple["direction_sigma_deg"] < 25.0
        assert said[0]["moves_mm"] == pytest.approx(ripple["spread_mm"])
        assert "estimate" in said[0]["what"]
