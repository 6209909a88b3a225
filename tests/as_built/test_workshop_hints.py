"""One table of workshop hints: which way a form lies does not change what bent it."""

import pytest

from rigwarp.as_built.describe.findings import findings_of
from rigwarp.as_built.describe.form import ZernikeTerm
from rigwarp.as_built.describe.workshop_hints import workshop_hint


@pytest.mark.parametrize(("n", "m"), [(1, 1), (2, 2), (3, 1), (3, 3), (4, 4)])
def test_a_turned_form_has_the_same_hint(n, m):
    assert workshop_hint(n, m) is not None
    assert workshop_hint(n, -m) == workshop_hint(n, m)


def test_terms_without_a_hint():
    assert workshop_hint(6, 2) is None


@pytest.mark.parametrize("m", [-2, 2])
def test_findings_quote_the_table(m):
    """Astigmatism at 45 degrees (m = -2) is no other matter than along the axes."""
    (found,) = findings_of(
        zernike=[ZernikeTerm(n=2, m=m, um=30.0, sigma_um=1.0)],
        power_determined=True,
        rms_um=30.0,
        radius_mm=40.0,
        folds=(),
        panels=(),
        defects=(),
        ripple=None,
        way_mm=600.0,
    )
    hint = workshop_hint(2, m)
    assert found.what.startswith("astigmatism")
    assert (found.cause, found.remedy) == (hint.cause, hint.remedy)
    assert "clamping" in found.cause


def test_mounting_is_no_finding():
    """Height and tilt of the mirror are matters of its mount, reported as such, not as errors of form."""
    terms = [ZernikeTerm(n=0, m=0, um=30.0, sigma_um=1.0), ZernikeTerm(n=1, m=1, um=30.0, sigma_um=1.0)]
    assert not findings_of(
        zernike=terms,
        power_determined=True,
        rms_um=50.0,
        radius_mm=40.0,
        folds=(),
        panels=(),
        defects=(),
        ripple=None,
        way_mm=600.0,
    )
