"""What each cause contributes to the uncertainty on the table, as bars."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigwarp.reports.figures import style

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
        figure = style.new_figure(height_inch=max(0.36 * len(names) + 1.4, 2.0))
        axes = figure.add_subplot()
        place = np.arange(len(names))
        for number, (region, sigma) in enumerate(regions.items()):
            offset = (number - (len(regions) - 1) / 2.0) * _BAR
            axes.barh(place + offset, np.nan_to_num(sigma), height=_BAR, color=style.SERIES[number], label=region)
        axes.set_yticks(place, list(names))
        axes.set_ylim(len(names) - 0.4, -0.6)
        if divider is not None:
            axes.axhline(divider - 0.5, color=style.GREY, linewidth=0.8, linestyle=(0, (4, 2)))
        axes.grid(axis="x", color=style.PALE)
        axes.set_axisbelow(True)
        axes.set_xlabel("1-sigma per axis on the table (µm)")
        axes.set_title("What makes the picture's place uncertain")
        figure.legend(loc="outside lower center", ncols=3, frameon=False)
        return style.png(figure)
