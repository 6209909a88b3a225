"""The forecast's table and picture show the same things in the same order of what they do."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from rigwarp.reports.figures import causes, style
from rigwarp.reports.measures.tolerance_rows import sensitivity_rows
from rigwarp.tracing import Sensitivity, analyse_tolerances
from rigwarp.tracing.tolerances.sensitivity import Effect, Parameter

TERMS = {"Z(2, 0) power": (10.0, 0.02), "Z(2, 2) astigmatism": (10.0, 0.05), "Z(3, -1) coma": (150.0, 0.001)}


def found() -> Sensitivity:
    """One mounting parameter and, in another order than that of their effects, Zernike terms (tolerance, mm per µm)."""
    terms = {**TERMS, **{f"Z(4, {m}) further": (1.0, 0.001 * (m + 5)) for m in (-4, -2, 0, 2)}}
    named = [("projector", "about x", "deg", "projector rotation", 0.5, 3.0)]
    named += [("mirror", name, "µm", "mirror shape", sigma, rms) for name, (sigma, rms) in terms.items()]
    parameters = tuple(Parameter(part=p, name=n, unit=u, group=g, sigma=s) for p, n, u, g, s, _ in named)
    effects = tuple(
        Effect(rms_mm=rms, p95_mm=2.0 * rms, rms_similar_mm=0.5 * rms, p95_similar_mm=rms) for *_, rms in named
    )
    shifts = np.array([[[rms, 0.0]] for *_, rms in named])
    return Sensitivity(
        parameters=parameters,
        effects=effects,
        spots_mm=np.zeros((1, 2)),
        shifts_mm=shifts,
        similar_mm=shifts / 2.0,
        weights=np.ones(1),
    )


def test_table_and_picture_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Figure] = []
    monkeypatch.setattr(style, "png", lambda figure, **_: drawn.append(figure) or b"")
    causes.tolerance_bars(found(), analyse_tolerances(found(), np.random.default_rng(1), draws=20))
    (axes,) = drawn[0].axes
    labels = [label.get_text() for label in axes.get_yticklabels()]
    rows = sensitivity_rows(found())
    assert [row[0] for row in rows[1:4]] == [
        "mirror Z(2, 2) astigmatism",
        "mirror Z(2, 0) power",
        "mirror Z(3, -1) coma",
    ]
    assert len(rows) == 6  # of the seven terms the five that do most
    assert [label.rsplit(", ", 1)[0] for label in labels] == [row[0] for row in rows]
    assert labels[0].endswith("0.50 °")
    assert rows[0][5] == "±0.50 °: 1.50 mm"
    bars = [bar.get_width() for bar in axes.patches[: len(rows)]]
    assert bars == pytest.approx([1.5, 0.5, 0.2, 0.15, 0.007, 0.005])
