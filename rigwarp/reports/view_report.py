"""The page on a view: what it sees, how surely, how aslant, and how its mirrors stray from their design."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rigwarp.files.records import AsBuiltRecord, MirrorGrid, ViewRecord
from rigwarp.files.records.view import ViewCheckRecord
from rigwarp.geometry import ViewMap
from rigwarp.reports.figures.mirror import deviation_map
from rigwarp.reports.figures.view import view_cover, view_fineness, view_sigma, view_top
from rigwarp.reports.sections.as_built_facts import HINTS, read_facts
from rigwarp.reports.sections.origin import caution_section
from rigwarp.reports.sections.page import Picture, Rows, Section, page_template, summary_section
from rigwarp.reports.wording import sentence
from rigwarp.rig import Rig
from rigwarp.view import ViewCover
from rigwarp.view.top import TopMaps

_HIGH_MM = 10.0
_BY = {
    "projector": "patterns shown by the rig's own projector",
    "screen": "a flat display laid on the table",
    "sheets": "photographs of a printed sheet",
}


@dataclass(frozen=True, kw_only=True)
class ViewParts:
    """What a view's page is made of; `top` and `check` None: there is none. `grids`, `built`: form by mirror."""

    run: Path
    rig: Rig
    record: ViewRecord
    view_map: ViewMap
    cover: ViewCover
    top: TopMaps | None
    check: ViewCheckRecord | None
    grids: Mapping[int, MirrorGrid]
    built: Mapping[int, AsBuiltRecord]


def render_view_report(parts: ViewParts) -> str:
    """The page as HTML text; it needs no other file."""
    unsure = [*parts.record.cautions, *(parts.check.not_proven if parts.check else ())]
    summary = summary_section(_sentences(parts), points=unsure)
    chapters = [_accuracy(parts), _cover(parts), _lean(parts), _mirrors(parts), *_top(parts), caution_section()]
    kind = "The table camera and its mirrors"
    return page_template("page.html").render(
        title=parts.rig.name, what="table camera", kind=kind, sections=[summary, *chapters]
    )


def _sentences(parts: ViewParts) -> list[str]:
    by = _BY.get(str(parts.record.by), "a scan")
    said = [f"Which table millimetre each pixel of the camera sees was measured by {by}; view {parts.run.name}."]
    figures, check = parts.record.view_map, parts.check
    if figures is not None:
        said.append(f"What was held out of the fit lies within {_mm(figures.p95_mm)} of the map (95 %).")
    if check is None:
        said.append(
            "Nothing has checked it that is independent of the scan: lay printed dots anywhere (rigwarp targets DIR "
            "--dots 20), photograph it with the view's camera, and run rigwarp view verify with --dots 20."
        )
    else:
        verdict = "out of tolerance" if check.failures else "not proven" if check.not_proven else "within tolerance"
        said.append(
            f"A printed sheet laid elsewhere was measured to {_mm(check.p95_mm)} (95 % of {check.n} corners; "
            f"{check.tolerance_mm:g} mm allowed): {verdict}."
        )
        said += map(sentence, check.failures)
    said.append(
        f"{100.0 * parts.cover.seen_share:.0f} % of the table is seen, "
        f"{100.0 * parts.cover.overlap_share:.0f} % twice; the "
        f"widest place that nothing sees is {parts.cover.widest_unseen_mm:.0f} mm across."
    )
    return said


def _accuracy(parts: ViewParts) -> Section:
    seen = parts.view_map.answered
    sigma = parts.view_map.sigma_mm[seen]
    figures = parts.record.view_map
    rows = []
    if figures is not None:
        rows += [
            ("held out of the fit", f"{figures.n or 0:.0f} places"),
            ("  distance from the map", f"{_mm(figures.rms_mm)} rms, {_mm(figures.p95_mm)} P95, {_mm(figures.max_mm)}"),
            ("  over the stated sigma", _number(figures.z_spread)),
        ]
        if figures.lit_share is not None:
            rows.append(("of what the camera sees, lit", f"{100.0 * figures.lit_share:.1f} %"))
        measured = "of what the camera sees, measured" if figures.lit_share is None else "of that, measured"
        rows.append((measured, f"{100.0 * (figures.coverage or 0.0):.1f} %"))
    rows += [("sigma, per axis: median, largest", f"{_mm(float(np.median(sigma)))}, {_mm(float(sigma.max()))}")]
    tables = [Rows(rows=rows)]
    if parts.check is not None:
        tables.append(
            Rows(
                head=("sheet in", "points", "P95", "largest", "scale", "error / sigma"),
                rows=[
                    (
                        str(s.photo),
                        f"{s.n or 0:.0f}",
                        _mm(s.p95_mm),
                        _mm(s.max_mm),
                        _number(s.scale, 4),
                        _number(s.z_spread),
                    )
                    for s in parts.check.sheets
                ],
                note="A sheet is laid on its image as it fits best; it is not stretched. Scale: 1 is right.",
            )
        )
    picture = Picture(
        png=view_sigma(parts.view_map),
        alt="The camera's picture: 1-sigma of the place that each pixel sees, and its zones",
        caption="In the camera's own picture: how surely the place of each pixel is known (1-sigma per axis), and "
        "which mirror shows it. Grey: no table is seen. Paler: inferred from the design, not measured.",
    )
    return Section(anchor="accuracy", title="How surely places are known", tables=tables, pictures=[picture])


def _cover(parts: ViewParts) -> Section:
    picture = Picture(
        png=view_cover(parts.cover, parts.rig),
        alt="The table: seen once, twice or not at all",
        caption="What the camera sees of the table by measurement. Where two mirrors show a place, heights "
        "can be told.",
    )
    return Section(anchor="cover", title="What is seen", pictures=[picture])


def _lean(parts: ViewParts) -> Section:
    typical, steepest = parts.cover.range_of(parts.cover.lean)
    said = (
        f"Lines of sight meet the table aslant. What is {_HIGH_MM:g} mm high seems to stand "
        f"{_HIGH_MM * typical:.1f} mm off (median), at most {_HIGH_MM * steepest:.1f} mm: programs correct "
        "that where they know the height (view.points(px, height_mm))."
    )
    picture = Picture(
        png=view_fineness(parts.cover, parts.rig),
        alt="Over the table: millimetres per pixel, and how far a thing 10 mm high seems to stand off",
        caption="Left: the longer side of a pixel on the table. Right: how far a thing 10 mm high seems to stand off.",
    )
    return Section(anchor="lean", title="How aslant, and how finely", paragraphs=[said], pictures=[picture])


def _mirrors(parts: ViewParts) -> Section:
    rows = []
    built = {mirror.mirror: mirror for mirror in parts.record.as_built}
    for zone in parts.record.zones:
        mirror = built.get(zone.mirror)
        form = "-" if mirror is None else mirror.not_told or f"{mirror.figure_rms_um or np.nan:.0f} µm rms"
        if mirror is not None and not mirror.not_told and mirror.figure_sigma_um is not None:
            form += f", known to {mirror.figure_sigma_um:.0f} µm"
        name = "directly" if zone.mirror is None else f"view.mirror[{zone.mirror:.0f}]"
        moved = f"{_mm(zone.moved_mm, 2)}, {_number(zone.moved_deg)}°"
        rows.append((name, "mirrored" if zone.reversed_ else "as it is", moved, _mm(zone.design_rms_mm, 1), form))
    told = {number: read_facts(record) for number, record in sorted(parts.built.items())}
    said = [
        # the estimate knows light's way the other way round only
        f"view.mirror[{number}]: {facts.power_note.replace('projector', 'camera')}."
        for number, facts in told.items()
        if not facts.power_told and facts.power_note
    ]
    head = ("What was found", "moves what is seen by", "likely cause (hint)", "remedy (hint)")
    found = [  # without what a prewarp does about them
        Rows(head=head, rows=[row[: len(head)] for row in facts.findings.rows], note=f"view.mirror[{number}]. {HINTS}")
        for number, facts in told.items()
        if facts.findings is not None
    ]
    table = Rows(
        head=("seen over", "the table looks", "mounted off by", "design off by", "form beside that"),
        rows=rows,
        note="Mounted off by: what explains most of the difference, as far as a scan can tell mirror and camera apart. "
        "Form: once both are laid on each other, rms, and 1-sigma of a usual place.",
    )
    title = "How the mirrors stray from their design"
    pictures = [_form(number, grid) for number, grid in sorted(parts.grids.items()) if grid.height_um is not None]
    return Section(anchor="mirrors", title=title, paragraphs=said, tables=[table, *found], pictures=pictures)


def _form(number: int, grid: MirrorGrid) -> Picture:
    assert grid.height_um is not None
    title = f"view.mirror[{number}]: built minus design"
    png = deviation_map(grid.x_mm, grid.y_mm, grid.height_um, grid.height_sigma_um, title=title)
    words = f"How the mirror view.mirror[{number}] strays from its design, over its face"
    return Picture(png=png, alt=words, caption=f"{words}, once both are laid on each other.")


def _top(parts: ViewParts) -> list[Section]:
    if parts.top is None:
        return []
    top = parts.top
    never = not np.isfinite(top.doubles_mm)
    said = [
        f"{top.top.size_mm[0]:g} x {top.top.size_mm[1]:g} mm at {top.top.mm_per_pixel:g} mm per pixel, of which "
        f"{100.0 * top.seen:.0f} % are seen. "
        + (
            "Nothing that stands on the table is seen twice."
            if never
            else f"Things up to {top.doubles_mm:.0f} mm high are never seen twice; higher ones can be, along a seam."
        )
    ]
    picture = Picture(
        png=view_top(top),
        alt="The straight top view: which zone shows each place",
        caption="Which zone the straight top view shows where. White: nothing sees this, or it is kept dark at a seam "
        "where things would be seen twice.",
    )
    return [Section(anchor="top", title="The straight top view", paragraphs=said, pictures=[picture])]


def _mm(value: float | None, digits: int = 3) -> str:
    return "-" if value is None or not np.isfinite(value) else f"{value:.{digits}f} mm"


def _number(value: float | None, digits: int = 2) -> str:
    return "-" if value is None or not np.isfinite(value) else f"{value:.{digits}f}"
