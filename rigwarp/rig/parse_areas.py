"""The tables [table], [content] and [target] of a rig file: what lies in the table plane."""

import math
from typing import Any, cast

import numpy as np

from rigwarp.geometry import Array
from rigwarp.rig.canvas import content_to_table, inside_table
from rigwarp.rig.keys import AREA_SIZES, DICTIONARY_SIZES, TARGET
from rigwarp.rig.model import BoardLayout, Content, Shape, Table, Target
from rigwarp.rig.print_lengths import READ_MM, printed_scale
from rigwarp.rig.section import MISSING, POSITIVE, Limits, TomlSection
from rigwarp.rig.toml_fields import meanings_of, read_table

LONGER_SIDE_PX = 1080  # default size of content along its longer side
_SLACK = 1e-9  # relative: an area exactly as large as the table is inside it, whatever the rounding
_FEWEST_SQUARES = 3  # along each side: four inner corners, the fewest that fix a pose


def parse_table(document: TomlSection) -> Table:
    """Read and check [table]."""
    section, shape = _area_section(document, "table", meanings_of(Table))
    return read_table(Table, section, shape=shape, size_mm=_size_mm(section, shape))


def parse_content(document: TomlSection, table: Table) -> Content:
    """Read and check [content], which must lie on the table."""
    section, shape = _area_section(document, "content", meanings_of(Content))
    size_mm = _size_mm(section, shape)
    longer = max(size_mm)
    automatic = tuple(max(16, round(LONGER_SIDE_PX * side / longer)) for side in size_mm)
    width, height = section.integers("pixels", 2, at_least=16, at_most=16384, default=automatic)
    content = read_table(Content, section, shape=shape, size_mm=size_mm, pixels=(width, height))
    _check_on_table(section, content, table)
    return content


def area_of_table(table: Table) -> Content:
    """The whole table as canvas."""
    longer = max(table.size_mm)
    width, height = (max(16, round(LONGER_SIDE_PX * side / longer)) for side in table.size_mm)
    return Content(shape=table.shape, size_mm=table.size_mm, pixels=(width, height))


def parse_target(document: TomlSection) -> Target:
    """Read and check [target]."""
    return target_from(document.section("target", TARGET, required=False))


def target_from(section: TomlSection) -> Target:
    """The sheet that a table of a rig file tells."""
    section.choice("kind", ["charuco"], default="charuco")
    columns, rows = section.integers("squares", 2, at_least=_FEWEST_SQUARES, at_most=200, default=(10, 7))
    square_mm = section.number("square_mm", default=36.0, limits=POSITIVE)
    marker_mm = section.number("marker_mm", default=0.75 * square_mm, limits=POSITIVE)
    if marker_mm >= square_mm:
        section.fail("marker_mm", found=f"{marker_mm:g}", expected=f"less than square_mm = {square_mm:g}")
    measured = _lengths(section, (columns * square_mm, rows * square_mm))
    return read_table(
        Target,
        section,
        squares=(columns, rows),
        marker_mm=marker_mm,
        dictionary=_dictionary(section, columns * rows // 2),
        layout=cast(BoardLayout, section.choice("layout", ["new", "old"])) if section.has("layout") else None,
        **measured,
    )


def _lengths(section: TomlSection, size_mm: tuple[float, float]) -> dict[str, Any]:
    """The lengths of the pattern (nominal width and height) that were read off a rule, and the scale that they tell."""
    nominal_mm = dict(zip(("along_x_mm", "along_y_mm", "diagonals_mm"), (*size_mm, math.hypot(*size_mm)), strict=True))
    if not any(section.has(key) for key in nominal_mm):
        return dict.fromkeys(nominal_mm, ())
    for key in ("scale", "ruler_mm"):
        if section.has(key):
            section.fail(
                key, found="it beside lengths", expected="one of both", advice="Lengths tell more: leave it out."
            )
    found: dict[str, tuple[float, ...]] = {}
    for key, length in nominal_mm.items():
        near = Limits(at_least=0.9 * length, at_most=1.1 * length)
        found[key] = section.numbers(key, None, default=() if key == "diagonals_mm" else MISSING, limits=near)
        if not found[key] and key != "diagonals_mm":
            section.fail(key, found="no length", expected="at least one")
    told = printed_scale(size_mm, *found.values())
    if told.misread is not None:
        key, index = [(key, i) for key, lengths in found.items() for i in range(len(lengths))][told.misread]
        section.fail(
            key,
            index=f"[{index}]",
            found=f"{found[key][index]:g}",
            expected=f"a length that fits the others, which a steel rule tells to {READ_MM:g} mm",
            advice="Read it again, and those beside it.",
        )
    return {**found, "scale": tuple(told.scale.tolist())}


def _dictionary(section: TomlSection, markers: int) -> str:
    named = f"the name of one of OpenCV's {len(DICTIONARY_SIZES)} marker dictionaries"
    name = section.choice("dictionary", list(DICTIONARY_SIZES), default="DICT_5X5_250", named=named)
    if DICTIONARY_SIZES[name] < markers:
        section.fail(
            "dictionary",
            found=f'"{name}", which holds {DICTIONARY_SIZES[name]} markers',
            expected=f"one with at least the {markers} markers of this board",
            advice="Choose a larger dictionary or fewer squares, as the printed board has them.",
        )
    return name


def _area_section(document: TomlSection, key: str, meanings: dict[str, str]) -> tuple[TomlSection, Shape]:
    """The table of an area and its shape, which decides what its size is called."""
    values = document.table(key)
    given = {"shape": values["shape"]} if "shape" in values else {}
    probe = TomlSection(source=document.source, path=key, values=given, meanings={"shape": meanings["shape"]})
    shape = cast(Shape, probe.choice("shape", list(AREA_SIZES)))
    section = TomlSection(
        source=document.source,
        path=key,
        values=values,
        meanings={**meanings, **AREA_SIZES[shape]},
        elsewhere={
            name: f'areas of shape = "{other}", and this one is a {shape}'
            for other, names in AREA_SIZES.items()
            if other != shape
            for name in names
        },
    )
    return section, shape


def _size_mm(section: TomlSection, shape: Shape) -> tuple[float, float]:
    if shape == "circle":
        diameter_mm = section.number("diameter_mm", limits=POSITIVE)
        return diameter_mm, diameter_mm
    width_mm, depth_mm = section.numbers("size_mm", 2, limits=POSITIVE)
    return width_mm, depth_mm


def _check_on_table(section: TomlSection, content: Content, table: Table) -> None:
    edge_mm = _extremes_mm(content, table) * (1.0 - _SLACK)
    if np.all(inside_table(table, edge_mm)):
        return
    key = "diameter_mm" if content.shape == "circle" else "size_mm"
    placed = bool(np.any(content.centre_mm != 0.0)) or content.rotation_rad != 0.0
    how = " where it is placed" if placed else ""
    size = _named_size(content.shape, content.size_mm)
    section.fail(
        key,
        found=f"a {size}{how}",
        expected=f"an area inside the table, a {_named_size(table.shape, table.size_mm)}",
        advice=f"Make the content smaller{', move it' if placed else ''} or correct [table].",
    )


def _extremes_mm(content: Content, table: Table) -> Array:
    """(N, 2) points of the content area that reach furthest: all inside the table means that the area is."""
    width, height = content.pixels
    if content.shape == "rectangle":
        corners_px = np.array([[x, y] for x in (-0.5, width - 0.5) for y in (-0.5, height - 0.5)])
        return content_to_table(content, corners_px)
    outwards = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    off_mm = np.linalg.norm(content.centre_mm)
    if table.shape == "circle" and off_mm > 0.0:
        outwards = content.centre_mm[None, :] / off_mm
    return content.centre_mm + outwards * content.size_mm[0] / 2.0


def _named_size(shape: Shape, size_mm: tuple[float, float]) -> str:
    if shape == "circle":
        return f"circle of {size_mm[0]:g} mm"
    return f"rectangle of {size_mm[0]:g} x {size_mm[1]:g} mm"
