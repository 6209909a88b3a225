"""Uncertainty budgets against closed forms: the worked example, simple geometry, Gaussian residuals."""

from dataclasses import replace

import numpy as np
import pytest

from rigwarp.camera import PLAIN_PRINT, CameraModel
from rigwarp.camera.boards.board_shape import EXACT_PRINT
from rigwarp.files.records import FitRecord, MapFigures
from rigwarp.geometry import look_at
from rigwarp.jobs.results.budget import _unproven
from rigwarp.rig import Content, Table
from rigwarp.sheets.pdf import STANDARD_TARGET
from rigwarp.verification import CheckGrid, RegionBudget, WarpSigmas, map_budget, thinned
from rigwarp.verification.budget.causes import combined, judge_grid, rectangular

HEIGHT_MM = 800.0  # of the camera
CONTENT = Content(shape="circle", size_mm=(400.0, 400.0), centre_mm=np.zeros(2), rotation_rad=0.0, pixels=(1000, 1000))
TABLE = Table(shape="circle", size_mm=(500.0, 500.0), height_mm=0.0)


def camera_above(*, covariance=None) -> CameraModel:
    """Straight above the table's middle, 1000 px focal length: 0.8 mm a pixel everywhere."""
    position = np.array([0.0, 0.0, HEIGHT_MM])
    R = look_at(position, np.zeros(3), roll_rad=0.0).T
    return CameraModel(
        resolution=(1600, 1200),
        matrix=np.array([[1000.0, 0, 799.5], [0, 1000.0, 599.5], [0, 0, 1]]),
        distortion=np.zeros(5),
        R_camera_from_table=R,
        t_camera_from_table_mm=-R @ position,
        covariance=covariance,
    )


def warp_sigmas(*, zone_from_x: float = np.inf) -> WarpSigmas:
    """2 mm a pixel over the table; decode 3 um, as a whole 5 um (so 4 um of fit), mesh off by 8 um (5.66 per axis)."""
    v, u = np.mgrid[:220, :220].astype(float)
    table_mm = np.stack([(u - 109.5) * 2.0, (109.5 - v) * 2.0], axis=-1)
    table_mm = table_mm[thinned(np.hypot(u - 109.5, v - 109.5) < 108)]
    even = np.ones(len(table_mm))
    return WarpSigmas(
        table_mm=table_mm,
        decode_mm=0.003 * even,
        random_mm=0.005 * even,
        mesh_mm=0.008 * even,
        zone=(table_mm[..., 0] > zone_from_x).astype(np.int16),
    )


def budget_of(camera: CameraModel, warp: WarpSigmas | None = None, **more):
    how = {"content": CONTENT, "table": TABLE, "target": STANDARD_TARGET, "sheet": PLAIN_PRINT, **more}
    return map_budget(warp or warp_sigmas(), camera, **how)


def test_worked_example() -> None:
    """check_values 5.3: target scale ±0.1 %, table height ±0.2 mm at 45 degrees, camera 0.03, decoding 0.02."""
    example = RegionBudget(
        name="250 mm from the centre",
        n=1,
        sigma_mm={
            "print_scale": rectangular(0.001 * 250.0),
            "height": rectangular(0.2) * np.tan(np.radians(45.0)),
            "camera": 0.03,
            "decode": 0.02,
        },
    )
    assert example.sigma_mm["print_scale"] == pytest.approx(0.1443, abs=5e-5)  # the digits that are printed there
    assert example.sigma_mm["height"] == pytest.approx(0.1155, abs=5e-5)
    assert example.combined_mm == pytest.approx(0.1883, abs=5e-5)
    assert example.expanded_mm == pytest.approx(0.377, abs=5e-4)
    assert example.of(["camera", "decode"]) == pytest.approx(np.hypot(0.03, 0.02), rel=1e-12)


def test_rectangular_is_the_spread_of_an_even_distribution() -> None:
    even = np.linspace(-0.2, 0.2, 200_001)
    assert rectangular(0.2) == pytest.approx(even.std(), rel=1e-5)


def test_every_cause_has_the_size_that_geometry_gives() -> None:
    covariance = np.zeros((15, 15))
    covariance[0, 0] = covariance[1, 1] = 1e-6  # a lens so well known that the print dominates
    budget = budget_of(camera_above(covariance=covariance))
    assert [cause.key for cause in budget.causes] == [
        "decode", "map_fit", "mesh", "lens", "pose", "lens_model", "print_scale", "sheet_height", "flatness",
    ]  # fmt: skip
    for region, low, high in zip(budget.regions[:3], (0.0, 1 / 3, 2 / 3), (1 / 3, 2 / 3, 1.0), strict=True):
        # mean of r^2 over a ring, R = 200 mm; a grid of 41 places across gets it to a per cent
        radius_mm = 200.0 * np.sqrt((low**2 + high**2) / 2.0)
        sigma = region.sigma_mm
        assert sigma["decode"] == pytest.approx(0.003, rel=1e-9)
        assert sigma["map_fit"] == pytest.approx(0.004, rel=1e-9)
        assert sigma["mesh"] == pytest.approx(0.008 / np.sqrt(2), rel=1e-9)
        assert sigma["lens_model"] == pytest.approx(0.01 * 0.8, rel=1e-6)  # 0.8 mm a pixel
        # 0.05 % of each scale, so 0.05 % / sqrt(2) of their mean; radial, hence another sqrt(2) per axis
        assert sigma["print_scale"] == pytest.approx(5e-4 * radius_mm / 2.0, rel=0.02)
        # a sheet h higher moves light by h tan(theta)
        assert sigma["sheet_height"] == pytest.approx(0.05 * radius_mm / HEIGHT_MM / np.sqrt(2), rel=0.02)
        assert sigma["flatness"] == pytest.approx(0.2 / np.sqrt(3) * radius_mm / HEIGHT_MM / np.sqrt(2), rel=0.02)
        # 1e-3 px of focal length in 1000 px, each axis on its own
        assert sigma["lens"] == pytest.approx(1e-6 * radius_mm / np.sqrt(2), rel=0.02)
        assert sigma["pose"] == pytest.approx(0.0, abs=1e-12)
        assert region.combined_mm == pytest.approx(combined(sigma.values()), rel=1e-12)
    assert [region.name for region in budget.regions] == ["centre", "middle", "rim", "all"]
    assert budget.regions[3].n == sum(region.n for region in budget.regions[:3])


def test_a_sigma_that_held_out_samples_do_not_bear_out_has_a_line() -> None:
    """Samples that scatter 1.25 times as far as stated: the rest is sqrt(1.25^2 - 1) = 0.75 of the map's 5 um."""
    budget = budget_of(camera_above(), replace(warp_sigmas(), unproven=np.sqrt(1.25**2 - 1.0)))
    assert budget.regions[3].sigma_mm["unproven"] == pytest.approx(0.75 * 0.005, rel=1e-9)
    assert "unproven" in [cause.key for cause in budget.causes]


@pytest.mark.parametrize(
    ("z_spread", "not_proven", "wanted"), [(1.25, "sigma not proven: ...", 0.75), (1.05, "", 0.0), (0.8, "few", 0.0)]
)
def test_the_line_goes_by_what_the_fit_says_of_itself(tmp_path, z_spread, not_proven, wanted) -> None:
    FitRecord(table_map=MapFigures(z_spread=z_spread, not_proven=not_proven)).write(tmp_path / "fit.json")
    assert _unproven(FitRecord.read(tmp_path / "fit.json")) == pytest.approx(wanted)


def test_each_mishap_has_a_line_of_its_own() -> None:
    """A quarter of 3^2 um^2 is 1.5^2; 5^2 - 3^2 - 2^2 - 2^2 = 8 um^2 of fit; 0.02 px of 0.8 mm are 16 um."""
    warp = warp_sigmas()
    even = np.ones(warp.random_mm.shape)
    spoilt = replace(
        warp,
        parts_mm={"ripple": 0.002 * even, "border": 0.002 * even},
        decode_shares={"processing": 0.25, "light": 0.0},
        motion_px=0.02,
    )
    dots = CheckGrid(points_mm=np.zeros((9, 2)), vectors_mm=np.zeros((9, 2)), sigma_mm=np.zeros(9))
    budget = budget_of(camera_above(), spoilt, check=dots)
    sigma = budget.regions[3].sigma_mm
    assert sigma["processing"] == pytest.approx(0.0015, rel=1e-9)
    assert sigma["decode"] == pytest.approx(0.003 * np.sqrt(0.75), rel=1e-9)
    assert sigma["map_fit"] == pytest.approx(0.001 * np.sqrt(8.0), rel=1e-9)
    assert sigma["ripple"] == sigma["border"] == pytest.approx(0.002, rel=1e-9)
    assert sigma["motion"] == pytest.approx(0.016, rel=1e-9)
    assert "light" not in sigma
    assert budget.check is not None
    assert budget.check.predicted_mm == pytest.approx(np.sqrt(25.0 + 32.0 + 256.0) * 1e-3, rel=1e-9)  # mesh: 8^2 / 2
    plain = budget_of(camera_above(), warp)
    assert {"processing", "motion", "ripple", "border", "light", "bands", "curve"}.isdisjoint(
        cause.key for cause in plain.causes
    )


def test_light_bands_and_a_curve_that_neighbours_share_are_no_noise() -> None:
    """5^2 - 3^2 - 2^2 - 2^2 - 1^2 = 7 um^2 of fit; decoding keeps its 3 um."""
    warp = warp_sigmas()
    even = 0.002 * np.ones(warp.random_mm.shape)
    sigma = (
        budget_of(camera_above(), replace(warp, parts_mm={"light": even, "bands": even, "curve": even / 2.0}))
        .regions[3]
        .sigma_mm
    )
    assert sigma["light"] == sigma["bands"] == pytest.approx(0.002, rel=1e-9)
    assert sigma["curve"] == pytest.approx(0.001, rel=1e-9)
    assert (sigma["decode"], sigma["map_fit"]) == pytest.approx((0.003, 0.001 * np.sqrt(7.0)), rel=1e-9)


def test_what_happened_to_the_photographs_is_read_from_the_fit() -> None:
    scans = {
        "scan 1": {"motion_sigma_px": 0.01, "noise_shares": {"processing": 0.5}, "corrected": ["the camera moved"]},
        "scan 2": {"motion_sigma_px": 0.02, "noise_shares": {}, "corrected": ["the camera moved", "exchanged"]},
    }
    told = FitRecord(decode=scans)
    assert (told.motion_sigma_px, told.noise_shares) == (0.02, {"processing": 0.25})
    assert told.put_right == ("the camera moved", "exchanged")
    assert FitRecord(decode=scans["scan 1"]).noise_shares == {"processing": 0.5}
    damaged = FitRecord(decode={"motion_sigma_px": "x", "noise_shares": {"processing": [1]}, "corrected": 3})
    assert (damaged.motion_sigma_px, damaged.noise_shares, damaged.put_right) == (0.0, {"processing": 0.0}, ())
    older = FitRecord()
    assert (older.motion_sigma_px, older.noise_shares, older.put_right) == (0.0, {}, ())


def test_a_camera_without_covariance_is_owned_up_to() -> None:
    budget = budget_of(camera_above())
    assert not budget.camera_known
    assert {"lens", "pose", "print_scale"}.isdisjoint(cause.key for cause in budget.causes)
    assert budget_of(camera_above(covariance=np.eye(15) * 1e-8)).camera_known


def test_a_measured_table_takes_the_place_of_the_assumed_one() -> None:
    """Its share is taken off the map's random part, where the correction put it: 5^2 - 3^2 - 2^2 = 12 um^2 are left."""
    budget = budget_of(camera_above(), shape_sigma=lambda places: np.full(len(places), 0.002))
    assert budget.flatness_mm is None
    assert budget.regions[2].sigma_mm["flatness"] == pytest.approx(0.002, rel=1e-9)
    assert budget.regions[2].sigma_mm["map_fit"] == pytest.approx(1e-3 * np.sqrt(12.0), rel=1e-9)
    assert [cause.kind for cause in budget.causes if cause.key == "flatness"] == ["A"]


def test_zones_are_told_apart() -> None:
    budget = budget_of(camera_above(), warp_sigmas(zone_from_x=50.0), sheet=EXACT_PRINT)
    assert [region.name for region in budget.regions[4:]] == ["zone 0", "zone 1"]
    # the cap of the disk R = 200 beyond x = 50: share (acos q - q sqrt(1 - q^2)) / pi with q = 1/4
    share = (np.arccos(0.25) - 0.25 * np.sqrt(1 - 0.25**2)) / np.pi
    assert budget.regions[5].n / budget.regions[3].n == pytest.approx(share, abs=0.02)


def dots(rng: np.random.Generator, sigma_mm, n: int = 25) -> CheckGrid:
    """A grid of dots whose residuals are Gaussian with the sigma given (a number, or one per dot)."""
    axis = np.linspace(-190.0, 190.0, n)
    points = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    sigma = np.broadcast_to(sigma_mm(points) if callable(sigma_mm) else sigma_mm, len(points))
    vectors = rng.normal(size=points.shape) * sigma[:, None]
    return CheckGrid(points_mm=points, vectors_mm=vectors, sigma_mm=np.full(len(points), 0.004))


def test_well_predicted_residuals_are_covered() -> None:
    """Gaussian residuals of the predicted size: 95.45 % within k = 2, and hardly anything unexplained."""
    rng = np.random.default_rng(4)
    check = dots(rng, 0.005)  # 3 um predicted, 4 um of finding the dots
    coverage, unexplained = judge_grid(check, np.full(625, 0.003), np.zeros((1, 2)))
    # 1250 residuals: three standard errors of the share are 1.8 %
    assert coverage.inside_predicted == pytest.approx(0.9545, abs=0.018)
    assert coverage.inside == pytest.approx(0.9545, abs=0.025)  # neighbours now and then add a little
    assert coverage.predicted_mm == pytest.approx(0.005, rel=1e-9)
    assert coverage.rms_mm == pytest.approx(0.005, rel=0.06)  # 3 / sqrt(2 x 1250)
    assert unexplained[0] < 0.004


def test_what_nobody_predicted_is_found_where_it_is() -> None:
    """Five times the predicted spread in one half of the table: the prediction fails there, the budget does not."""
    rng = np.random.default_rng(5)
    check = dots(rng, lambda p: np.where(p[:, 0] > 0.0, 0.025, 0.005))
    places = np.array([[-120.0, 0.0], [120.0, 0.0]])
    coverage, unexplained = judge_grid(check, np.full(625, 0.003), places)
    assert coverage.inside_predicted < 0.75
    assert 0.93 < coverage.inside < 0.97
    assert unexplained[0] < 0.004
    assert unexplained[1] == pytest.approx(np.sqrt(0.025**2 - 0.005**2), rel=0.4)  # 32 values: 3 sigma are 38 %


def test_a_shift_of_all_dots_counts_as_unexplained() -> None:
    check = dots(np.random.default_rng(6), 0.001)
    moved = CheckGrid(points_mm=check.points_mm, vectors_mm=check.vectors_mm + 0.05, sigma_mm=check.sigma_mm)
    budget = budget_of(camera_above(), check=moved)
    assert budget.check is not None
    assert budget.check.inside_predicted == 0.0
    assert budget.regions[3].sigma_mm["unexplained"] == pytest.approx(0.05, rel=0.05)
    repeatable = [cause.key for cause in budget.causes if cause.part == "repeatable"]
    assert budget.regions[3].of(repeatable) == pytest.approx(0.05, rel=0.05)


def test_coverage_of_the_budget_over_many_seeds() -> None:
    """The share within k = 2, dots judged by their neighbours: Student's t with 32 degrees of freedom, 94.6 %."""
    shares = [judge_grid(dots(np.random.default_rng(seed), 0.03), np.full(625, 0.003), np.zeros((1, 2)))[0].inside
              for seed in range(20)]  # fmt: skip
    assert np.mean(shares) == pytest.approx(0.946, abs=0.006)  # 25 000 residuals; neighbours' estimates are correlated
