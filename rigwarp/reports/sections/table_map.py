"""Report chapters on the table map, its light and its uncertainty."""

import numpy as np

from rigwarp.files.records import BorderRecord, MapFigures, RegistrationRecord, RippleRecord
from rigwarp.geometry import PixelMap
from rigwarp.reports.figures import table_map as figures_map
from rigwarp.reports.figures.residuals import residual_vectors
from rigwarp.reports.measures.coverage import Coverage, Spread, judge_coverage
from rigwarp.reports.measures.table_raster import TableRaster, raster_table
from rigwarp.reports.result_parts import ResultParts
from rigwarp.reports.sections.page import Picture, Rows, Section
from rigwarp.reports.sections.uncertainty import uncertainty_section
from rigwarp.reports.wording import as_number, flat_rows, quantity, sentence, share
from rigwarp.rig import Rig, inside_table
from rigwarp.words import number

_ARROW_STEP_PX = 40


def map_sections(parts: ResultParts) -> list[Section]:
    """The chapters that rest on map.npz and fit.json."""
    if parts.table_map is None:
        why = [f"Table map: {parts.missing.get('table map', 'not there')}."]
        return [Section(anchor="map", title="Table map", tables=_fit_tables(parts), missing=why + _fit_missing(parts))]
    raster = raster_table(parts.table_map, parts.rig)
    coverage = judge_coverage(parts.table_map, parts.rig, raster=raster)
    return [
        _map_section(parts, parts.table_map),
        _light_section(parts, parts.table_map, raster, coverage),
        uncertainty_section(parts, parts.table_map, raster),
    ]


def _map_section(parts: ResultParts, table_map: PixelMap) -> Section:
    grid = Picture(
        png=figures_map.table_grid(table_map, parts.rig),
        alt="Lines of the projector's pixel grid drawn where they lie on the table, with the outlines of table and "
        "content.",
        caption="Where the projector's pixels lie on the table. Solid outline: table; dashed: content area. "
        "Straight, even lines mean little distortion.",
    )
    pictures, missing = [grid], _fit_missing(parts)
    if parts.design is None:
        missing.append(f"Comparison with the design: {parts.missing.get('design map', 'not there')}.")
    else:
        pictures.append(_design_picture(table_map, parts.design, parts.rig))
    return Section(
        anchor="map",
        title="Table map",
        paragraphs=[
            "The table map says for every projector pixel where its light lands. It was fitted to the photographs of "
            "the scan. The residual below is that of samples which were held out of the fit. It shows how well the map "
            "agrees with the camera; errors of the camera calibration itself, for example from the printed sheet's "
            "scale, are in the uncertainty but not in this residual."
        ],
        tables=_fit_tables(parts),
        pictures=pictures,
        missing=missing,
    )


def _design_picture(table_map: PixelMap, design: PixelMap, rig: Rig) -> Picture:
    """How far the built rig sends light from where the design sends it, at a grid of projector pixels."""
    every = np.s_[_ARROW_STEP_PX // 2 :: _ARROW_STEP_PX, _ARROW_STEP_PX // 2 :: _ARROW_STEP_PX]
    planned, found = design.table_mm[every].reshape(-1, 2), table_map.table_mm[every].reshape(-1, 2)
    here = inside_table(rig.table, planned)
    return Picture(
        png=residual_vectors(planned[here], (found - planned)[here], rig, "Measured map minus design"),
        alt="Arrows on the table from where the design sends the light of a projector pixel towards where it lands.",
        caption="What measuring corrects: each arrow starts where the design sends the light of every "
        f"{_ARROW_STEP_PX}th projector pixel and points to where the map says that it lands.",
    )


def _fit_missing(parts: ResultParts) -> list[str]:
    return [f"Figures of the fit: {parts.missing['fit figures']}."] if "fit figures" in parts.missing else []


def _fit_tables(parts: ResultParts) -> list[Rows]:
    tables = []
    fit = parts.fit
    if fit.table_map is not None:
        note = f"z-spread: residuals over the stated sigma; 1 is ideal. {sentence(fit.table_map.not_proven)}".strip()
        tables.append(Rows(rows=_residual_rows(fit.table_map), note=note))
    if fit.registration is not None:
        tables.append(
            Rows(
                rows=_registration_rows(fit.registration),
                head=("Where the fit started: the design, moved", ""),
                note="A rigid move that brings the design near the samples, with the mirror's shape left as drawn: "
                "shape errors are in these numbers. How the parts are mounted is estimated in the chapter on the "
                "mirror.",
                detail=True,
            )
        )
    if fit.borders:
        tables.append(
            Rows(
                rows=[row for border in fit.borders for row in border_rows(border)],
                head=("Where the zones meet, as built", ""),
                note="Beside the registered design's border, on the mirror. Each zone is fitted up to the built border "
                "only; sigma there counts that the border may lie elsewhere.",
            )
        )
    decode = {key: block for key, block in (("samples", fit.samples), ("decode", fit.decode)) if block is not None}
    if decode:
        tables.append(Rows(rows=flat_rows(decode), head=("Decoding of the scan", ""), detail=True))
    return tables


def border_rows(border: BorderRecord) -> list[tuple[str, str]]:
    """Where two zones meet as built, row by row."""
    name = "zones " + " and ".join(f"{zone:g}" for zone in border.zones or ())
    if not border.told:
        return [(f"{name}: not told, as designed; light jumps there by", quantity(border.jump_mm, "mm"))]
    return [
        (f"{name}: beside the designed border by", quantity(border.offset_mm, "mm")),
        ("turned by", quantity(border.turned_deg, "°")),
        ("in the projector picture, in the middle", quantity(border.offset_px, "px")),
        ("at most", quantity(border.largest_px, "px")),
        ("known to (1-sigma)", quantity(border.sigma_px, "px")),
        ("light jumps there by", quantity(border.jump_mm, "mm")),
    ]


def _residual_rows(figures: MapFigures) -> list[tuple[str, str]]:
    return [
        ("held-out samples", number(figures.n)),
        ("residual, rms", quantity(figures.rms_mm, "mm")),
        ("residual, P95", quantity(figures.p95_mm, "mm")),
        ("residual, largest", quantity(figures.max_mm, "mm")),
        ("lit content area supported by measurements", share(figures.coverage)),
        ("z-spread", number(figures.z_spread)),
        *(("regular ripple, followed by the map", _ripple_words(ripple)) for ripple in figures.ripples),
    ]


def _ripple_words(ripple: RippleRecord) -> str:
    return (
        f"every {quantity(ripple.period_mm, 'mm')} of the mirror along {number(ripple.direction_on_mirror_deg)}° "
        f"({quantity(ripple.period_px, 'projector pixels')}), moves light by {quantity(ripple.amplitude_mm, 'mm')} to "
        "and fro"
    )


def _registration_rows(registration: RegistrationRecord) -> list[tuple[str, str]]:
    rows = [
        ("design against samples, as drawn, rms", quantity(registration.rms_before_mm, "mm")),
        ("after moving projector and mirror, rms", quantity(registration.rms_after_mm, "mm")),
    ]
    for key, value in (registration.shifts or {}).items():
        if str(key).endswith("_rad") and isinstance(value, list):  # as older versions wrote it
            key, value = str(key).replace("_rad", "_deg"), [float(np.degrees(as_number(v))) for v in value]
        rows += flat_rows({key: value})
    return rows


def _light_section(parts: ResultParts, table_map: PixelMap, raster: TableRaster, coverage: Coverage) -> Section:
    rig = parts.rig
    pictures = [
        Picture(
            png=figures_map.mm_per_pixel(table_map, rig, raster=raster),
            alt=f"Two maps of the table. Long side of a pixel: {_spread_words(coverage.mm_per_pixel_long)} mm. "
            f"Ratio of its sides: {_spread_words(coverage.anisotropy)}.",
            caption="How large a projector pixel is on the table (left), and how far from round (right). "
            "Details finer than about two pixels cannot be shown.",
        ),
        Picture(
            png=figures_map.irradiance(table_map, rig, raster=raster),
            alt="Map of the brightness of a white picture on the table; darkest over brightest content is "
            f"{number(coverage.evenness, 2)}.",
            caption="Computed light: brightness of a uniformly white picture without gain correction, from the map, "
            "for a lens that sends out the same intensity in all directions.",
        ),
    ]
    missing = []
    if parts.design is None:
        missing.append(f"The design's light: {parts.missing.get('design map', 'not there')}.")
    else:
        pictures.append(
            Picture(
                png=figures_map.design_light(parts.design, rig),
                alt="The projector's picture, coloured by where the light of each pixel goes according to the design.",
                caption="What the design does with the projector's light.",
            )
        )
    return Section(
        anchor="light",
        title="Pixels and brightness",
        tables=[Rows(rows=coverage.rows(), note=f"Areas counted in cells of {coverage.cell_mm:g} mm.")],
        pictures=pictures,
        missing=missing,
    )


def _spread_words(spread: Spread) -> str:
    return f"{number(spread.smallest)} to {number(spread.largest)}"
