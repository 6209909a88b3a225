"""The page on mirror samples: one table and one picture first, then each sample, then who differs from whom."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.geometry import Array
from rigwarp.reports.figures.style import BLUE, ORANGE, SIGNED_MAP, VERMILION, new_figure, png, styled
from rigwarp.reports.sections.page import Picture, Rows, Section, page_template, summary_section

_NOTE = (
    "Blur, veil and double image stay in the picture; waviness and reflectance are taken out by the prewarp, at the "
    "cost of light. Figures are relative to the reference, means over cycles ± 1 sigma: how cycles differ, or a "
    "cycle's own uncertainty where that is more. Samples that share a letter in a column are not told apart. The plane "
    "is that of incidence. Waves: rms optical slope (half the beam's deviation) by wavelength, from twice the beam's "
    "width to 20 mm, and from there to half of what is seen; slower bending is form."
)


@dataclass(frozen=True, kw_only=True)
class SampleMaps:
    """(rows, columns, 2) slopes, mrad, and (rows, columns) reflectance relative to the reference, over the mirror."""

    slope_mrad: Array
    ratio: Array
    pitch_mm: Array


def render_samples_report(
    title: str,
    *,
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    sentences: Sequence[str],
    maps: Mapping[str, SampleMaps],
    bars: Mapping[str, Sequence[Array]],
    details: Mapping[str, Sequence[Sequence[str]]],
    verdicts: Sequence[Sequence[str]],
) -> str:
    """The page as HTML text.

    Parameters
    ----------
    heads, rows : of the table.
    sentences : what to know first.
    maps : sample -> its maps.
    bars : sample -> [(4,) blur in and across, mrad, and veil and double image as shares, NaN where not told].
    details : sample -> every figure with uncertainty and origin.
    verdicts : figure, pair, answer and difference.
    """
    first = Rows(rows=list(rows), head=list(heads), note=_NOTE)
    sections = [summary_section(sentences, tables=[first], pictures=[_bars_picture(bars)])]
    sections += [
        Section(
            anchor=name,
            title=name,
            pictures=[_maps_picture(name, maps[name])] if name in maps else [],
            tables=[Rows(rows=list(details[name]), head=("figure", "found", "1-sigma", "computed from"))],
            pictures_first=True,
        )
        for name in details
    ]
    sections.append(
        Section(
            anchor="verdicts",
            title="Who differs from whom",
            paragraphs=[
                "Different: by Student's paired test over cycles at 5 %, after Holm's rule over all pairs. The same "
                "within: the 90 % interval of the difference lies inside what does not matter (two one-sided tests). "
                "Not decided is neither."
            ],
            tables=[Rows(rows=list(verdicts), head=("figure", "pair", "answer", "difference"))],
        )
    )
    kind = "Mirror samples compared with a reference mirror"
    return page_template("page.html").render(title=title, what="mirror samples", kind=kind, sections=sections)


def _bars_picture(bars: Mapping[str, Sequence[Array]]) -> Picture:
    """Blur, veil and double image of each sample, best above."""
    names = list(bars)
    values = np.array([bars[name][0] for name in names])
    with styled():
        figure = new_figure(height_inch=1.2 + 0.35 * len(names))
        left, *others = figure.subplots(1, 3, sharey=True, width_ratios=(2.0, 1.0, 1.0))
        place = np.arange(len(names))
        left.barh(place - 0.2, values[:, 0], 0.38, color=BLUE, label="in the plane of incidence")
        left.barh(place + 0.2, values[:, 1], 0.38, color=ORANGE, label="across it")
        left.set_yticks(place, names)
        left.invert_yaxis()
        left.set_xlabel("added blur (mrad)")
        figure.legend(*left.get_legend_handles_labels(), loc="outside upper center", ncols=2, frameon=False)
        for axes, column, words in zip(others, (2, 3), ("veil (%)", "double image (%)"), strict=True):
            axes.barh(place, 100.0 * np.nan_to_num(values[:, column]), 0.5, color=VERMILION)
            axes.set_xlabel(words)
            axes.set_xlim(right=max(axes.get_xlim()[1], 1.0))
            for row in np.flatnonzero(np.isnan(values[:, column])):
                axes.text(0.0, row, " not told", va="center", color="0.4", fontsize="small")
        data = png(figure)
    return Picture(
        png=data,
        alt="Bars of added blur, veil and double image for each sample.",
        caption="Not to be corrected: blur, and veil beyond 8 mrad, that each sample adds to the reference's, and its "
        "own double image: shorter is better.",
    )


def _maps_picture(name: str, maps: SampleMaps) -> Picture:
    """Slopes in and across the plane of incidence, and the registered, scaled difference picture for the eye."""
    rows, columns = maps.ratio.shape
    wide, high = columns * maps.pitch_mm[0] / 2.0, rows * maps.pitch_mm[1] / 2.0
    extent = (-wide, wide, high, -high)
    limit = max(float(np.quantile(np.abs(maps.slope_mrad), 0.995)), 1e-3)
    with styled():
        figure = new_figure(height_inch=2.4)
        axes = figure.subplots(1, 3)
        for k, title in enumerate(("slope in the plane", "slope across")):
            shown = axes[k].imshow(maps.slope_mrad[..., k], extent=extent, cmap=SIGNED_MAP, vmin=-limit, vmax=limit)
            axes[k].set_title(title)
        figure.colorbar(shown, ax=axes[:2].tolist(), label="mrad", shrink=0.8)
        relative = 100.0 * (maps.ratio / float(np.median(maps.ratio)) - 1.0)
        bound = max(float(np.quantile(np.abs(relative), 0.995)), 0.1)
        shown = axes[2].imshow(relative, extent=extent, cmap=SIGNED_MAP, vmin=-bound, vmax=bound)
        axes[2].set_title("brightness")
        figure.colorbar(shown, ax=axes[2], label="%", shrink=0.8)
        data = png(figure)
    return Picture(
        png=data,
        alt=f"Maps of {name}: slopes in two directions, and brightness beside the reference.",
        caption="Over the mirror, mm; the plane of incidence lies level. Right: sample minus reference, registered by "
        "the landing of each pixel, the waves' ripple taken out and scaled by the mean reflectance: for the eye.",
    )
