"""demos/rig_reference.toml holds every key of rig.toml, and what it says parses."""

import re
import tomllib
from pathlib import Path

import pytest

from rigwarp.errors import InputError
from rigwarp.rig import keys, parse_rig
from rigwarp.rig.keys import MEASURED_LENGTHS

REFERENCE = (Path(__file__).parents[2] / "demos" / "rig_reference.toml").read_text(encoding="utf-8")
SHAPES = {
    "conic": {"radius_mm", "conic_constant", "coefficients_mm", "aperture_mm"},
    "profile": {"file"},
    "facets": {"sheet_mm", "fold_radius_mm", "k_factor", "mirror.facet", "corners_mm", "bend_radius_mm", "bend_axis"},
}


def section(name: str) -> str:
    """The lines of one table of the reference, its commented keys switched on."""
    found = re.search(rf"^\[+{name}\]+.*?(?=^\[|\Z)", REFERENCE, re.MULTILINE | re.DOTALL)
    assert found is not None, name
    return found[0]


@pytest.mark.parametrize(
    ("name", "meanings"),
    [
        ("projector", keys.PROJECTOR),
        ("mirror", {**keys.MIRROR, **{k: v for kind in keys.MIRROR_KINDS.values() for k, v in kind.items()}}),
        ("obstacle", keys.OBSTACLE),
        ("table", {**keys.TABLE, **keys.AREA_SIZES["circle"], **keys.AREA_SIZES["rectangle"]}),
        ("content", {**keys.CONTENT, **keys.AREA_SIZES["circle"]}),
        ("camera", keys.CAMERA),
        ("target", keys.TARGET),
        ("tolerance", keys.TOLERANCE),
        ("measured", keys.MEASURED),
        ("view", {key: told for key, told in keys.VIEW.items() if key not in ("mirror", "target", "top")}),
        (r"view\.top", keys.VIEW_TOP),
    ],
)
def test_every_key_stands_in_its_table(name: str, meanings: dict[str, str]) -> None:
    lines = section(name)
    missing = [key for key in meanings if not re.search(rf"^(# )?(\[\[mirror\.)?{key}(\]\]| =)", lines, re.MULTILINE)]
    assert missing == []


def test_every_table_and_every_length_is_named() -> None:
    assert [key for key in keys.TOP_LEVEL if not re.search(rf"^(\[+{key}\]+|{key} =)", REFERENCE, re.MULTILINE)] == []
    assert [what for what in MEASURED_LENGTHS if f'"{what}"' not in REFERENCE] == []
    facet = REFERENCE[REFERENCE.index("# [[mirror.facet]]") :]
    assert [key for key in keys.FACET if f"# {key} =" not in facet] == []


def test_what_stands_there_is_a_rig() -> None:
    assert parse_rig(REFERENCE).name == "Reference"


def test_a_view_may_stand_there_alone() -> None:
    with_projector = r"^\[+(projector|mirror|obstacle|content|camera|measured)\]+.*?(?=^\[|\Z)"
    alone = re.sub(with_projector, "", REFERENCE, flags=re.DOTALL | re.MULTILINE)
    rig = parse_rig(alone)
    assert not rig.projects
    assert rig.view is not None
    assert rig.projector.resolution == rig.view.resolution
    assert parse_rig(REFERENCE).projects


@pytest.mark.parametrize("kind", SHAPES)
def test_the_commented_kinds_of_mirror_parse(kind: str) -> None:
    """Each kind's lines, uncommented, in place of the mesh's."""
    start = REFERENCE.index(f'# kind = "{kind}"')
    end = REFERENCE.index("\n\n", start)
    switched_on = re.sub(r"^# (?=\S+ =|\[)", "", REFERENCE[start:end].split("\n", 1)[1], flags=re.MULTILINE)
    mirror = f'[mirror]\nkind = "{kind}"\n{switched_on}\n\n'
    assert set(re.findall(r"^(?:\[\[)?([\w.]+)", switched_on, re.MULTILINE)) == SHAPES[kind]
    parse_rig(REFERENCE.replace(section("mirror"), mirror))


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("throw_ratio = 1,2", "decimal comma"),
        ("name = “Desk”", "typographic quotes"),
        ("name = Desk", "text needs quotes"),
    ],
)
def test_common_slips_of_typing_get_their_own_hint(line: str, hint: str) -> None:
    key = line.split(" =")[0]
    text = re.sub(rf"^{key} = \S+.*$", line, REFERENCE, flags=re.MULTILINE)
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    with pytest.raises(InputError, match=hint):
        parse_rig(text)


def test_decimal_commas_in_a_list_are_valid_toml_and_told_all_the_same() -> None:
    text = re.sub(r"^position_mm = .*$", "position_mm = [30,5, 270,0, 255,0]", REFERENCE, count=1, flags=re.MULTILINE)
    with pytest.raises(InputError, match=r"found 6 of them .* with decimal points"):
        parse_rig(text)
