"""What the report says of the check pictures beside the dots."""

import pytest

from rigwarp.files import read_json, write_json
from rigwarp.reports.result_parts import read_parts
from rigwarp.reports.sections.verification import check_section

PATCH = {"at_mm": [0.0, 0.0], "camera_px_per_mm": 2.0, "camera_limit": 0.9}


def patch(place, direction, modulation, density=0.25):
    return {**PATCH, "place": place, "direction": direction, "modulation": modulation, "lines_per_mm": density}


@pytest.fixture
def tables(finished):
    """Tables of the section for a check with everything in it, by their first heading."""

    def made(**more):
        folder, run = finished
        record = read_json(run / "verification.json", format="rigwarp verification")
        record["after"] |= more
        write_json(run / "verification.json", record, format="rigwarp verification", replace=True)
        return {table.head[0]: table for table in check_section(read_parts(folder, run)).tables}

    return made


def rows_of(table):
    return {row[0]: row[1:] for row in table.rows}


def test_shape_stands_beside_the_residuals(tables):
    found = tables(
        affine={"scale_percent": 0.5, "anisotropy_percent": 0.2, "shear_mrad": 1.5, "rotation_mrad": -2.0},
        straightness={"worst_mm": 0.25, "worst_percent": 0.1},
    )
    rows = rows_of(found["Distance of the dots from their place"])
    assert rows["scale, off the right size"][1].startswith("0.5")
    assert rows["least straight line, off by"][1].startswith("0.25")


def test_resolution_is_the_mean_of_its_patches(tables):
    patches = [patch("rim", "across", m) for m in (0.2, 0.4, None)] + [patch("centre", "across", 0.75)]
    rows = rows_of(tables(resolution=patches)["Modulation of lines through the measured warp"])
    assert rows["rim, light changing across"] == ("0.30 (0.90)",)
    assert rows["centre, light changing across"] == ("0.75 (0.90)",)
    assert rows["rim, light changing along"] == ("- (-)",)


def test_light_before_and_after(tables):
    nine = {"uniformity": 0.62, "corner_to_centre": 0.7}
    rows = rows_of(tables(uniformity={"before_gain": nine, "after_gain": {"uniformity": 0.97}})["Light at nine points"])
    assert rows["as the light falls"] == ("0.62", "0.70")
    assert rows["evened out by the warp"] == ("0.97", "-")


@pytest.mark.parametrize("broken", [{"resolution": "none"}, {"resolution": [3]}, {"uniformity": [1]}, {"affine": 2}])
def test_a_record_that_makes_no_sense_is_left_out(tables, broken):
    assert set(tables(**broken)) == {"Distance of the dots from their place"}
