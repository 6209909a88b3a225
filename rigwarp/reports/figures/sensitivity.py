"""A picture of what matters: how far each tolerance moves the picture on the table."""

import numpy as np

from rigwarp.reports.figures import style
from rigwarp.tracing import Sensitivity, ToleranceAnalysis

_MOST_BARS = 16


def tolerance_bars(found: Sensitivity, expected: ToleranceAnalysis) -> bytes:
    """Each parameter at its 1-sigma: rms shift on the content area, and what a similarity leaves of it; PNG."""
    each = [
        (f"{k.part} {k.name}, {k.sigma:.2g} {k.unit}", k.sigma * e.rms_mm, k.sigma * e.rms_similar_mm)
        for k, e in zip(found.parameters, found.effects, strict=True)
        if k.sigma * e.rms_mm > 0.0
    ]
    shown = sorted(each, key=lambda bar: -bar[1])[:_MOST_BARS]
    with style.styled():
        figure = style.new_figure(height_inch=max(0.25 * len(shown) + 1.5, 1.8))
        axes = figure.add_subplot()
        if not shown:
            style.no_data(axes)
            return style.png(figure)
        place = np.arange(len(shown))
        axes.barh(place, [bar[1] for bar in shown], color=style.SKY, height=0.7, label="as it is")
        axes.barh(
            place, [bar[2] for bar in shown], color=style.BLUE, height=0.35, label="after shifting, turning and scaling"
        )
        axes.set_yticks(place, [bar[0] for bar in shown])
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.grid(axis="x", color=style.PALE)
        axes.set_axisbelow(True)
        axes.set_xlabel("rms shift on the content area (mm), each at its 1-sigma")
        axes.set_title(f"What moves the picture; all together {expected.p95_mm:.2g} mm (P95)")
        axes.legend(loc="lower right", frameon=False)
        return style.png(figure)
