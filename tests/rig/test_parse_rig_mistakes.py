"""rig.toml: one clear line for every mistake."""

import contextlib
import re

import pytest
from full_rig import CONIC, FULL, SHORT, TRIANGLE, replaced, with_mirror

from rigwarp.errors import InputError
from rigwarp.rig import parse_rig


def in_table(table: str, old: str, new: str) -> str:
    """FULL with one line of one table replaced, for keys that several tables have."""
    head, mark, tail = FULL.partition(f"[{table}]\n")
    assert mark
    block, gap, rest = tail.partition("\n\n")
    assert old in block
    return head + mark + block.replace(old, new) + gap + rest


def message(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_rig(text, source="my-rig/rig.toml")
    return str(caught.value)


# text, key path that the message has to name, and words that it has to contain
MISTAKES = {
    "unknown top key": (FULL.replace("name =", "nmae ="), "nmae", "name?"),
    "unknown table": (FULL.replace("[tolerance]", "[tolerances]"), "tolerances", "tolerance?"),
    "unknown key": (replaced("throw_ratio", "throw_ration"), "projector.throw_ration", "throw_ratio?"),
    "unknown key in a list": (replaced('file = "housing.stl"', 'fiel = "housing.stl"'), "obstacle[0].fiel", "file?"),
    "unlike any key": (replaced("gamma = 2.2", "zzzzqq = 2.2"), "projector.zzzzqq", "Correct its spelling or remove"),
    "quoted key": (replaced("gamma = 2.2", '"a\\nb" = 2.2'), 'projector."a\\nb"', "unknown key"),
    "format missing": (replaced('format = "rigwarp rig"\n', ""), "format", "nothing"),
    "format of another file": (replaced("rigwarp rig", "rigwarp camera"), "format", '"rigwarp rig"'),
    "version missing": (replaced("version = 1\n", ""), "version", "nothing"),
    "version newer": (replaced("version = 1", "version = 2"), "version", "update rigwarp"),
    "version true": (replaced("version = 1", "version = true"), "version", "true"),
    "projector missing": (re.sub(r"\[projector\]\n(?:.+\n)+", "", FULL), "projector", "nothing"),
    "projector no table": (re.sub(r"\[projector\]\n(?:.+\n)+", "", FULL).replace("name", "projector = 3\nname"),
                           "projector", "a table [projector]"),
    "table as array": (replaced("[table]", "[[table]]"), "table", "[table]"),
    "obstacle as table": (replaced("[[obstacle]]", "[obstacle]"), "obstacle", "double brackets"),
    "resolution missing": (replaced("resolution = [1280, 720]\n", ""), "projector.resolution", "nothing"),
    "resolution float": (replaced("[1280, 720]", "[1280.0, 720]"), "projector.resolution[0]", "a whole number"),
    "resolution bool": (replaced("[1280, 720]", "[true, 720]"), "projector.resolution[0]", "true (a truth value)"),
    "resolution zero": (replaced("[1280, 720]", "[1280, 0]"), "projector.resolution[1]", "0"),
    "resolution one number": (replaced("[1280, 720]", "[1280]"), "projector.resolution", "2 whole numbers"),
    "resolution text": (replaced("[1280, 720]", '"1280x720"'), "projector.resolution", '"1280x720"'),
    "throw ratio text": (replaced("throw_ratio = 1.2", 'throw_ratio = "1.2"'), "projector.throw_ratio", "text"),
    "throw ratio bool": (replaced("throw_ratio = 1.2", "throw_ratio = true"), "projector.throw_ratio", "truth value"),
    "throw ratio zero": (replaced("throw_ratio = 1.2", "throw_ratio = 0"), "projector.throw_ratio", "above 0"),
    "throw ratio nan": (replaced("throw_ratio = 1.2", "throw_ratio = nan"), "projector.throw_ratio", "nan"),
    "throw ratio infinite": (replaced("throw_ratio = 1.2", "throw_ratio = inf"), "projector.throw_ratio", "inf"),
    "throw ratio a date": (replaced("throw_ratio = 1.2", "throw_ratio = 2024-01-01"), "projector.throw_ratio", "date"),
    "throw ratio huge": (replaced("throw_ratio = 1.2", "throw_ratio = " + "9" * 400), "projector.throw_ratio", "999"),
    "lens shift in percent": (replaced("[0.0, 0.5]", "[0, 50]"), "projector.lens_shift[1]", "from -2 to 2"),
    "position of two numbers": (replaced("[0.0, 0.0, 500.0]", "[0, 500]"), "projector.position_mm", "3 numbers"),
    "position nan": (replaced("[0.0, 0.0, 500.0]", "[0, nan, 500]"), "projector.position_mm[1]", "nan"),
    "two orientations": (replaced("gamma = 2.2", "aim_mm = [0, 0, 900]"), "projector.aim_mm", "rotation_deg"),
    "no orientation": (in_table("projector", "rotation_deg = [0.0, 0.0, 0.0]\n", ""),
                       "projector.rotation_deg", "rotation_deg or aim_mm"),
    "roll without aim": (replaced("gamma = 2.2", "roll_deg = 3"), "projector.roll_deg", "aim_mm"),
    "aim at itself": (replaced("aim_mm = [0, 60, 480]", "aim_mm = [0, -32, 403]", SHORT),
                      "projector.aim_mm", "same point"),
    "tolerance zero": (replaced("position_tolerance_mm = 3.0", "position_tolerance_mm = 0"),
                       "projector.position_tolerance_mm", "above 0"),
    "gamma low": (replaced("gamma = 2.2", "gamma = 0.45"), "projector.gamma", "from 1 to 3.5"),
    "gamma high": (replaced("gamma = 2.2", "gamma = 3.6"), "projector.gamma", "from 1 to 3.5"),
    "gamma word": (replaced("gamma = 2.2", 'gamma = "rec709"'), "projector.gamma", '"srgb"'),
    "gamma bool": (replaced("gamma = 2.2", "gamma = true"), "projector.gamma", "true"),
    "mirror kind missing": (with_mirror('file = "mirror.stl"'), "mirror.kind", "nothing"),
    "mirror kind wrong": (with_mirror('kind = "coinc"'), "mirror.kind", 'Did you mean "conic"?'),
    "mirror kind a number": (with_mirror("kind = 3"), "mirror.kind", "3"),
    "key of another kind": (with_mirror('kind = "mesh"\nfile = "m.stl"\nradius_mm = 3'), "mirror.radius_mm", '"conic"'),
    "file for a conic": (with_mirror(CONIC + '\nfile = "m.stl"'), "mirror.file", '"mesh"'),
    "mesh without file": (with_mirror('kind = "mesh"'), "mirror.file", "nothing"),
    "mesh of unknown type": (with_mirror('kind = "mesh"\nfile = "mirror.dwg"'), "mirror.file", ".stl"),
    "mesh file empty": (with_mirror('kind = "mesh"\nfile = " "'), "mirror.file", "text"),
    "mesh file of two lines": (with_mirror('kind = "mesh"\nfile = "a\\nb.stl"'), "mirror.file", "a\\nb.stl"),
    "profile of unknown type": (with_mirror('kind = "profile"\nfile = "p.xlsx"'), "mirror.file", ".csv"),
    "reflecting side": (replaced('"+z"', '"up"'), "mirror.reflecting_side", '"+z"'),
    "reflecting side zero": (replaced('"+z"', "[0, 0, 0]"), "mirror.reflecting_side", "length zero"),
    "crease of 0": (replaced("crease_deg = 5", "crease_deg = 0"), "mirror.crease_deg", "between 0 and 180"),
    "conic without radius": (with_mirror('kind = "conic"\naperture_mm = [0, 40]'), "mirror.radius_mm", "nothing"),
    "radius whose square is nothing": (with_mirror(CONIC.replace("100.0", "1e-300")), "mirror.radius_mm", "1e-06"),
    "aperture of nothing": (with_mirror(CONIC.replace("[5, 40]", "[0, 1e-300]")), "mirror.aperture_mm[1]", "1e-06"),
    "position whose square is no number": (replaced("[0.0, 0.0, 500.0]", "[0, 0, 1e200]"),
                                           "projector.position_mm[2]", "1e+200"),
    "radius zero": (with_mirror(CONIC.replace("100.0", "0")), "mirror.radius_mm", "other than 0"),
    "aperture missing": (with_mirror('kind = "conic"\nradius_mm = 100'), "mirror.aperture_mm", "nothing"),
    "aperture negative": (with_mirror(CONIC.replace("[5, 40]", "[-1, 40]")), "mirror.aperture_mm[0]", "at least 0"),
    "aperture swapped": (with_mirror(CONIC.replace("[5, 40]", "[40, 5]")), "mirror.aperture_mm", "inner"),
    "aperture beyond a sphere": (with_mirror(CONIC.replace("[5, 40]", "[5, 100]")),
                                 "mirror.aperture_mm[1]", "below 100"),
    "aperture beyond an ellipsoid": (with_mirror(CONIC.replace("[5, 40]", "[0, 60]") + "\nconic_constant = 3"),
                                     "mirror.aperture_mm[1]", "below 50"),
    "coefficient": (with_mirror(CONIC + '\ncoefficients_mm = ["a"]'), "mirror.coefficients_mm[0]", "a number"),
    "facets without a facet": (with_mirror('kind = "facets"'), "mirror.facet", "[[mirror.facet]]"),
    "facet of two corners": (with_mirror('kind = "facets"', rest="[[mirror.facet]]\ncorners_mm = [[0,0,0],[1,0,0]]"),
                             "mirror.facet[0].corners_mm", "at least 3"),
    "facet without corners": (with_mirror('kind = "facets"', rest="[[mirror.facet]]\ncorners_mm = []"),
                              "mirror.facet[0].corners_mm", "0 corners"),
    "corner of two numbers": (with_mirror('kind = "facets"', rest="[[mirror.facet]]\ncorners_mm = [[0,0],[1,0],[0,1]]"),
                              "mirror.facet[0].corners_mm[0]", "a point"),
    "corner text": (with_mirror('kind = "facets"', rest=TRIANGLE.replace("[100, 0, 0]", '[100, "0", 0]')),
                    "mirror.facet[0].corners_mm[1][1]", "a number"),
    "corner twice": (with_mirror('kind = "facets"', rest=TRIANGLE.replace("[100, 0, 0]", "[0, 0, 0]")),
                     "mirror.facet[0].corners_mm[1]", "same point"),
    "corners in a line": (with_mirror('kind = "facets"', rest=TRIANGLE.replace("[0, 100, 0]", "[50, 0, 0]")),
                          "mirror.facet[0].corners_mm", "straight line"),
    "facet not flat": (with_mirror('kind = "facets"',
                                   rest=TRIANGLE + "\n" + TRIANGLE.replace("0]]", "0], [100, 100, 5]]")),
                       "mirror.facet[1].corners_mm[0]", "off the plane"),
    "bend without axis": (with_mirror('kind = "facets"', rest=TRIANGLE + "\nbend_radius_mm = 300"),
                          "mirror.facet[0].bend_axis", "both"),
    "axis without bend": (with_mirror('kind = "facets"', rest=TRIANGLE + "\nbend_axis = [0, 0, 1]"),
                          "mirror.facet[0].bend_radius_mm", "both"),
    "bend radius zero": (with_mirror('kind = "facets"', rest=TRIANGLE + "\nbend_axis = [0, 1, 0]\nbend_radius_mm = 0"),
                         "mirror.facet[0].bend_radius_mm", "other than 0"),
    "obstacle without file": (replaced('file = "housing.stl"\n', ""), "obstacle[0].file", "nothing"),
    "table missing": (re.sub(r"\[table\]\n(?:.+\n)+", "", FULL), "table", "nothing"),
    "table shape": (in_table("table", '"circle"', '"oval"'), "table.shape", '"circle" or "rectangle"'),
    "table shape missing": (in_table("table", 'shape = "circle"\n', ""), "table.shape", "nothing"),
    "circle with a size": (in_table("table", "diameter_mm = 500", "size_mm = [500, 500]"),
                           "table.size_mm", "rectangle"),
    "rectangle with a diameter": (in_table("table", '"circle"', '"rectangle"'), "table.diameter_mm", "circle"),
    "diameter missing": (in_table("table", "diameter_mm = 500\n", ""), "table.diameter_mm", "nothing"),
    "diameter negative": (in_table("table", "diameter_mm = 500", "diameter_mm = -500"), "table.diameter_mm", "above 0"),
    "size zero": (replaced("size_mm = [600, 400]", "size_mm = [600, 0]", SHORT), "table.size_mm[1]", "above 0"),
    "content missing": (re.sub(r"\[content\]\n(?:.+\n)+", "", FULL), "content", "nothing"),
    "content too large": (replaced("diameter_mm = 480", "diameter_mm = 501"),
                          "content.diameter_mm", "circle of 500 mm"),
    "content off the table": (in_table("content", "centre_mm = [0, 0]", "centre_mm = [8, 8]"),
                              "content.diameter_mm", "move"),
    "corners off a round table": (in_table("content", 'shape = "circle"\ndiameter_mm = 480',
                                           'shape = "rectangle"\nsize_mm = [400, 320]'),
                                  "content.size_mm", "inside the table"),
    "turned off the table": (SHORT + "rotation_deg = 45", "content.size_mm", "where it is placed"),
    "circle off a rectangle": (replaced('shape = "rectangle"\nsize_mm = [540, 360]',
                                        'shape = "circle"\ndiameter_mm = 401', SHORT),
                               "content.diameter_mm", "600 x 400"),
    "content pixels": (replaced("pixels = [1080, 1080]", "pixels = [1080, 1e3]"), "content.pixels[1]", "1000.0"),
    "camera resolution": (replaced("[1920, 1080]", "[1920, -1080]"), "camera.resolution[1]", "-1080"),
    "device negative": (replaced("device = 0", "device = -1"), "camera.device", "-1"),
    "device bool": (replaced("device = 0", "device = true"), "camera.device", "true"),
    "device empty": (replaced("device = 0", 'device = ""'), "camera.device", '""'),
    "target kind": (replaced('"charuco"', '"chessboard"'), "target.kind", '"charuco"'),
    "too few squares": (replaced("squares = [10, 7]", "squares = [10, 2]"), "target.squares[1]", "from 3"),
    "marker as large as a square": (replaced("marker_mm = 27.0", "marker_mm = 36.0"),
                                    "target.marker_mm", "square_mm = 36"),
    "unknown dictionary": (replaced("DICT_5X5_250", "DICT_5x5_205"), "target.dictionary", '"DICT_5X5_250"?'),
    "dictionary too small": (replaced("DICT_5X5_250", "DICT_5X5_50").replace("[10, 7]", "[20, 14]"),
                             "target.dictionary", "140 markers"),
    "scale in percent": (replaced("scale = [1.0, 1.0]", "scale = [100, 100]"), "target.scale[0]", "from 0.9 to 1.1"),
    "thickness below zero": (replaced("thickness_mm = 3", "thickness_mm = -3"), "target.thickness_mm", "from 0 to 100"),
    "scale off": (replaced("scale = [1.0, 1.0]", "scale = [1.0, 0.89]"), "target.scale[1]", "from 0.9 to 1.1"),
    "scale beside lengths": (replaced("scale = [1.0, 1.0]", "scale = [1, 1]\nalong_x_mm = [360]\nalong_y_mm = [252]"),
                             "target.scale", "leave it out"),
    "one side only": (replaced("scale = [1.0, 1.0]", "along_x_mm = [360.1]"), "target.along_y_mm", "nothing"),
    "no length of a side": (replaced("scale = [1.0, 1.0]", "along_x_mm = []\nalong_y_mm = [252]"),
                            "target.along_x_mm", "at least one"),
    "length of the rulers": (replaced("scale = [1.0, 1.0]", "along_x_mm = [360.1, 199.9]\nalong_y_mm = [252]"),
                             "target.along_x_mm[1]", "from 324 to 396"),
    "length misread": (replaced("scale = [1.0, 1.0]", "along_x_mm = [360.1, 361.1, 360.2]\nalong_y_mm = [252]"),
                       "target.along_x_mm[1]", "Read it again"),
    "tolerance negative": (replaced("content_p95_mm = 0.5", "content_p95_mm = -0.5"),
                           "tolerance.content_p95_mm", "above 0"),
}  # fmt: skip


@pytest.mark.parametrize("case", MISTAKES)
def test_mistake_is_told_in_one_line(case: str) -> None:
    text, key, words = MISTAKES[case]
    said = message(text)
    assert said.startswith(f"my-rig/rig.toml: {key}: found ")
    assert words in said
    assert ", expected " in said
    assert "\n" not in said
    assert said.endswith((".", "?"))
    assert len(said) < 400


def test_syntax_error_names_the_line() -> None:
    broken = FULL.splitlines()
    broken[5] = "[projector"
    said = message("\n".join(broken))
    assert "line 6" in said
    assert "\n" not in said


def test_key_given_twice_is_a_syntax_error() -> None:
    assert "not valid TOML" in message(replaced("gamma = 2.2", "gamma = 2.2\ngamma = 2.3"))


def test_first_mistake_is_deterministic() -> None:
    text = FULL.replace("throw_ratio = 1.2", "throw_ratio = -1").replace("gamma = 2.2", "gamma = 9")
    assert len({message(text) for _ in range(5)}) == 1


def test_mutated_files_never_give_a_traceback() -> None:
    """Any value of the full file replaced by any other kind of value: a Rig or an InputError, nothing else."""
    lines = FULL.splitlines()
    values = [
        "true",
        "-1",
        "0",
        "nan",
        "1e400",
        '"x"',
        "[]",
        "[[1]]",
        "{a = 1}",
        "1979-05-27",
        "[1, [2]]",
        "99999999999",
        "9" * 5000,
    ]
    for number, line in enumerate(lines):
        if " = " not in line:
            continue
        for value in values:
            changed = "\n".join([*lines[:number], f"{line.partition(' = ')[0]} = {value}", *lines[number + 1 :]])
            with contextlib.suppress(InputError):
                parse_rig(changed)
