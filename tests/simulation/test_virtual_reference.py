"""demos/virtual_reference.toml holds every key of virtual.toml with what it means, and what it says parses."""

import re
from pathlib import Path

import pytest

import rigwarp
from rigwarp.rig import Rig, parse_rig
from rigwarp.rig.toml_fields import meanings_of
from rigwarp.simulation import mishaps, parse_truth, truth, truth_file, truth_parts
from rigwarp.simulation.view import truth as view_truth

REFERENCE = (Path(__file__).parents[2] / "demos" / "virtual_reference.toml").read_text(encoding="utf-8")
TABLES = {
    "surface": truth_parts.SURFACE,
    "built": {key: why for key, why in truth_parts.BUILT.items() if not why.startswith("tables [[")},
    "built.zernike": truth_parts.ZERNIKE,
    "built.dent": meanings_of(truth.Dent),
    "built.ripple": truth_parts.RIPPLE,
    "built.facet": meanings_of(truth.FacetError),
    "built.hole": meanings_of(truth.Hole),
    "projector": meanings_of(truth.ProjectorTruth),
    "camera": truth_file.CAMERA,
    "room": meanings_of(truth.RoomTruth),
    "sheet": meanings_of(truth.SheetTruth),
    "mishaps": mishaps.KEYS,
    "view": {key: why for key, why in view_truth.VIEW.items() if key not in ("mirror", "screen")},
    "view.mirror": {"dirt": meanings_of(view_truth.ViewMirrorTruth)["dirt"]},
    "view.screen": meanings_of(view_truth.ScreenTruth),
}


def rig_of(scenario: str) -> Rig:
    file = Path(rigwarp.__file__).parent / "scenarios" / scenario / "rig.toml"
    return parse_rig(file.read_text(encoding="utf-8"))


def section(name: str) -> str:
    header = rf"^(# )?\[+{re.escape(name)}\]+$"
    found = re.search(header + r".*?(?=^(# )?\[+[a-z.]+\]+$|\Z)", REFERENCE, re.MULTILINE | re.DOTALL)
    assert found is not None, name
    return found[0]


def switched_on(name: str, *, but: str) -> str:
    """The reference with a commented table in use, one of its keys left out."""
    lines = re.sub(r"^# (?=\S+ =|\[)", "", section(name), flags=re.MULTILINE)
    return REFERENCE.replace(section(name), re.sub(rf"^{but} = .*\n", "", lines, flags=re.MULTILINE))


@pytest.mark.parametrize("name", TABLES)
def test_every_key_stands_in_its_table_with_its_meaning(name: str) -> None:
    lines = section(name)
    words = " ".join(re.sub(r"^# ?|# ", " ", lines, flags=re.MULTILINE).split())
    for key, meaning in TABLES[name].items():
        assert re.search(rf"^(# )?{key} = ", lines, re.MULTILINE), key
        assert " ".join(meaning.split()) in words, key


def test_every_table_is_there() -> None:
    tables = {f"built.{key}" for key, why in truth_parts.BUILT.items() if why.startswith("tables [[")}
    tables |= {"view.mirror", "view.screen"}
    assert tables | set(truth_file.TOP_LEVEL) == set(TABLES) | {"format", "version", "seed"}


def test_what_stands_there_is_a_truth() -> None:
    assert parse_truth(REFERENCE, rig_of("round-table"), source="reference").built.radius_percent == 1.8


def test_the_commented_tables_parse_for_the_mirrors_that_have_them() -> None:
    surface = switched_on("surface", but="aperture_radius_mm")
    assert parse_truth(surface, rig_of("freeform-desk"), source="reference").surface is not None
    facets = switched_on("built.facet", but="nothing")
    facets = re.sub(r"^(radius_percent|astigmatism_\w+|aperture_\w+) = .*\n", "", facets, flags=re.MULTILINE)
    facets = facets.replace(section("built.zernike"), "")
    assert parse_truth(facets, rig_of("folded-counter"), source="reference").built.facets
