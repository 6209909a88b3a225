"""Form figures against the worked example in the manner of ISO 10110-5."""

import numpy as np
import pytest

from rigwarp.as_built.describe.form import form_figures
from rigwarp.geometry.zernike import Disk


def test_power_irregularity_and_symmetric_part():
    """50 um Z(2,0) + 20 um Z(2,2) + 10 um Z(4,0): RMSt 54.7723, RMSi 22.3607, RMSa 20.0 um; power PV 173.205 um."""
    # points uniform in area, so that plain means are means over the disk
    rho = np.sqrt((np.arange(400) + 0.5) / 400)
    theta = 2.0 * np.pi * (np.arange(96) + 0.5) / 96
    r, t = (a.ravel() for a in np.meshgrid(rho, theta))
    xy = 40.0 * np.stack([r * np.cos(t), r * np.sin(t)], axis=-1)
    disk = Disk(centre_mm=np.zeros(2), radius_mm=40.0)
    height = disk.functions(xy, ((2, 0), (2, 2), (4, 0))) @ np.array([50.0, 20.0, 10.0])
    piston_and_tilt = np.column_stack([np.ones(len(xy)), xy])
    figures = form_figures(
        height, np.zeros_like(xy), np.ones(len(xy)), xy_mm=xy, disk=disk, rigid=piston_and_tilt, spacing_mm=1.0
    )
    # the 400 rings represent radial means to 1e-6 of the heights
    assert figures.rms_um == pytest.approx(54.7723, abs=1e-3)
    assert figures.rms_without_power_um == pytest.approx(22.3607, abs=1e-3)
    assert figures.rms_asymmetric_um == pytest.approx(20.0, abs=1e-3)
    assert figures.rms_rotational_um == pytest.approx(10.0, abs=1e-3)
    assert figures.power_pv_um == pytest.approx(173.205, abs=2e-3)
    assert figures.noise_rms_um == pytest.approx(1.0)
    assert figures.n == len(xy)


def test_slopes_are_judged_without_the_power():
    line = np.arange(-30.0, 31.0)
    x, y = (a.ravel() for a in np.meshgrid(line, line))
    xy = np.stack([x, y], axis=-1)
    disk = Disk(centre_mm=np.zeros(2), radius_mm=30.0 * np.sqrt(2.0))
    height, slope = 0.01 * (x**2 + y**2), 0.02 * xy
    figures = form_figures(
        height,
        slope,
        np.ones(len(x)),
        xy_mm=xy,
        disk=disk,
        rigid=np.column_stack([np.ones(len(x)), xy]),
        spacing_mm=1.0,
    )
    assert figures.slope_rms_mrad == pytest.approx(0.02 * np.sqrt(np.mean(x**2 + y**2)))
    assert figures.slope_rms_without_power_mrad == pytest.approx(0.0, abs=1e-9)  # a paraboloid is all power
    assert figures.rms_without_power_um == pytest.approx(0.0, abs=1e-9)
