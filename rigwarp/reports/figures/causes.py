"""What makes the picture's place uncertain, as bars: causes in the budget, and tolerances of the design."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigwarp.reports.figures import style
from rigwarp.reports.measures.tolerance_rows import at_tolerance, shown_effects
from rigwarp.tracing import Sensitivity, ToleranceAnalysis
from rigwarp.words import number

_BAR = 0.26  # height of a bar, of the distance between causes


def budget_bars(names: Sequence[str], regions: Mapping[str, Sequence[float]], *, divider: int | None = None) -> bytes:
    """Bars of 1-sigma per axis for each cause, one per region; PNG.

    Parameters
    ----------
    names : of the causes, top to bottom.
    regions : name -> 1-sigma per axis of each cause, µm; at most three.
    divider : a line is drawn above the cause of this number.
    """
    with style.styled():
        figure, axes = style.one_axes(height_inch=max(0.36 * len(names) + 1.4, 2.0))
        place = style.list_down(axes, names)
        for number, (region, sigma) in enumerate(regions.items()):
            offset = (number - (len(regions) - 1) / 2.0) * _BAR
            axes.barh(place + offset, np.nan_to_num(sigma), height=_BAR, color=style.SERIES[number], label=region)
        if divider is not None:
            axes.axhline(divider - 0.5, color=style.GREY, linewidth=0.8, linestyle=(0, (4, 2)))
        axes.set(xlabel="1-sigma per axis on the table (µm)", title="What makes the picture's place uncertain")
        figure.legend(loc="outside lower center", ncols=3, frameon=False)
        return style.png(figure)


def tolerance_bars(found: Sensitivity, expected: ToleranceAnalysis) -> bytes:
    """Each parameter at its 1-sigma: rms shift on the content area, and what a similarity leaves of it; PNG."""
    each = [
        (f"{k.part} {k.name}, {at_tolerance(k)}", k.sigma * e.rms_mm, k.sigma * e.rms_similar_mm)
        for k, e in shown_effects(found)
        if k.sigma * e.rms_mm > 0.0
    ]
    shown = sorted(each, key=lambda bar: -bar[1])
    with style.styled():
        figure, axes = style.one_axes(height_inch=max(0.25 * len(shown) + 1.5, 1.8))
        if not shown:
            style.no_data(axes)
            return style.png(figure)
        place = style.list_down(axes, [bar[0] for bar in shown])
        axes.barh(place, [bar[1] for bar in shown], color=style.SKY, height=0.7, label="as it is")
        axes.barh(
            place, [bar[2] for bar in shown], color=style.BLUE, height=0.35, label="after shifting, turning and scaling"
        )
        axes.set_xlabel("rms shift on the content area (mm), each at its 1-sigma")
        axes.set_title(f"What moves the picture; all together {number(expected.p95_mm, 2)} mm (P95)")
        axes.legend(loc="lower right", frameon=False)
        return style.png(figure)
