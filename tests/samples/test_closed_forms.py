"""Fresnel, sheets, spreads and footprints against check values that owe the product nothing, and against tmm 0.2.0.

The check values were worked out in two ways that do not share a formula (tmm or another library, exact rays, brute
force, or chance); where a test says "closed form alone", in one.
"""

import math

import numpy as np
import pytest
import tmm
from sample_optics import acceptance, beyond, brightness_ripple, face_weights, ripple_modulation

from rigwarp.samples import closed_forms as spread
from rigwarp.samples.closed_forms import (
    beams_of,
    fresnel,
    ghost_distance_mm,
    rear_reflectance,
    sheet_beams,
)
from rigwarp.samples.local_blur import added_blur, edge_modulation
from rigwarp.simulation.samples.sheet import beam_shares, trace_piece
from rigwarp.simulation.samples.truth import parse_bench_truth

AL, CR = 0.7894 + 5.8519j, 3.18 + 3.33j
PERIODS_PER_MM = 1.0 / (0.651 * np.array([4, 8, 16, 64]))


@pytest.mark.parametrize(
    ("n", "degrees", "s", "p", "mean"),
    [
        (1.52, 0, 0.04258, 0.04258, 0.04258), (1.52, 30, 0.06121, 0.02708, 0.04414),
        (1.52, 45, 0.09673, 0.00936, 0.05305), (1.52, 60, 0.18344, 0.00153, 0.09248),
        (1.59, 0, 0.05189, 0.05189, 0.05189), (1.59, 45, 0.11319, 0.01281, 0.06300),
        (AL, 30, 0.92679, 0.90318, None), (AL, 45, 0.94002, 0.88363, None), (AL, 60, 0.95735, 0.84570, None),
        (CR, 0, 0.5546, 0.5546, None), (CR, 45, 0.6604, 0.4361, None),
    ],
)  # fmt: skip
def test_fresnel(n: complex, degrees: float, s: float, p: float, mean: float | None) -> None:
    found = fresnel(1.0, n, math.cos(math.radians(degrees)))
    assert found[:2] == pytest.approx((s, p), abs=6e-5)
    assert mean is None or np.mean(found[:2]) == pytest.approx(mean, abs=6e-6)
    outside = [
        tmm.interface_R(pol, 1.0, n, math.radians(degrees), tmm.snell(1.0, n, math.radians(degrees))) for pol in "sp"
    ]
    assert found[:2] == pytest.approx(outside, abs=1e-12)


@pytest.mark.parametrize(
    ("n", "rear", "front", "main", "third", "total"),
    [(1.52, 0.90, 0.04258, 0.82499, 0.03162, 0.90044), (1.59, 0.85, 0.05189, 0.76407, 0.03370, 0.85122)],
)
def test_beams_of_a_second_surface(
    n: float, rear: float, front: float, main: float, third: float, total: float
) -> None:
    found = sheet_beams(n, rear, 0.0)
    assert (found.front, found.main, found.third, found.total) == pytest.approx((front, main, third, total), abs=6e-6)
    assert found.front_to_main == pytest.approx({1.52: 0.0516, 1.59: 0.0679}[n], abs=5e-5)


@pytest.mark.parametrize(
    ("index", "metal", "degrees"), [(1.5959, AL, 45.0), (1.525, 0.055 + 3.32j, 20.0), (1.49, AL, 0.0)]
)
def test_sheets_of_the_virtual_bench_against_tmm(index: float, metal: complex, degrees: float) -> None:
    """Incoherent sheet on a thick metal, both polarisations; the bench leaves out the fourth and later beams."""
    angle = math.radians(degrees)
    outside = np.mean(
        [
            tmm.inc_tmm(p, [1.0, index, metal], [math.inf, 1e6, math.inf], ["i", "i", "i"], angle, 550.0)["R"]
            for p in "sp"
        ]
    )
    piece = parse_bench_truth(
        f"""
        format = "rigwarp virtual samples"
        bench = {{ resolution = [64, 64], camera_resolution = [64, 64], opening_mm = [10, 10] }}
        [[piece]]
        name = "sheet"
        thickness_mm = 1.0
        index = [{index}, {index}, {index}]
        metal_n = [{metal.real}, {metal.real}, {metal.real}]
        metal_k = [{metal.imag}, {metal.imag}, {metal.imag}]
        """
    ).pieces["sheet"]
    shares = beam_shares(piece, 1, np.array(angle))
    s, p, inside = fresnel(1.0, index, math.cos(angle))
    rear = fresnel(index, metal, float(inside.real))
    beams = [beams_of(s, rear[0]), beams_of(p, rear[1])]
    assert np.mean([beam.total for beam in beams]) == pytest.approx(outside, abs=1e-9)
    left_out = np.mean([beam.total - beam.front - beam.main - beam.third for beam in beams])
    assert sum(float(share) for share in shares.values()) + left_out == pytest.approx(outside, abs=1e-6)
    if degrees == 45.0:  # aluminised polystyrene at 550 nm
        figures = [np.mean([getattr(b, key) for b in beams]) for key in ("front", "main", "third", "total")]
        assert figures == pytest.approx([0.0638, 0.7664, 0.0400, 0.8743], abs=6e-5)


@pytest.mark.parametrize(
    ("t", "n", "degrees", "away"),
    [(3, 1.52, 30, 1.810), (3, 1.52, 45, 2.230), (3, 1.52, 60, 2.080), (2, 1.59, 30, 1.148), (2, 1.59, 45, 1.404)],
)
def test_distance_of_the_double_image(t: float, n: float, degrees: float, away: float) -> None:
    assert ghost_distance_mm(t, n, math.radians(degrees)) == pytest.approx(away, abs=6e-4)


def test_the_metal_is_told_by_the_whole() -> None:
    """The inverse of the sums above, and its limits for what no sheet with metal reflects."""
    for rear in (0.3, 0.9):
        total = sheet_beams(1.52, rear, math.radians(20)).total
        assert rear_reflectance(1.52, total, math.radians(20)) == pytest.approx(rear, abs=1e-9)
    assert [rear_reflectance(1.52, total, 0.3) for total in (0.01, 1.2)] == [0.05, 1.0]


def test_the_double_image_is_furthest_at_49_degrees() -> None:
    angles = np.radians(np.arange(30.0, 70.0, 0.01))
    away = ghost_distance_mm(1.0, 1.52, angles)
    assert math.degrees(angles[np.argmax(away)]) == pytest.approx(49.05, abs=0.02)
    assert away.max() == pytest.approx(0.7505, abs=5e-5)


@pytest.mark.parametrize(
    ("degrees", "wedge", "front"),
    [(0, (3.040, 3.040), (-1.040, -1.040)), (30, (3.315, 2.871), None), (45, (3.806, 2.691), (-1.806, -1.277))],
)
def test_what_the_faces_weigh(degrees: float, wedge: tuple[float, float], front: tuple[float, float] | None) -> None:
    weights = face_weights(1.52, math.radians(degrees))
    assert weights[:, 0] == pytest.approx(wedge, abs=6e-4)
    if front is not None:
        assert weights[:, 1] == pytest.approx(front, abs=6e-4)
    # a sheet that bends as a whole: 2 in the plane of incidence, 2 cos across
    assert weights.sum(axis=1) == pytest.approx([2.0, 2.0 * math.cos(math.radians(degrees))])


def test_the_virtual_bench_traces_what_the_faces_weigh() -> None:
    """Its exact rays through a wedge of 1 mrad against the small-angle weights."""
    text = """
        format = "rigwarp virtual samples"
        bench = { resolution = [64, 64], camera_resolution = [64, 64], opening_mm = [10, 10] }
        [[piece]]
        name = "sheet"
        thickness_mm = 3.0
        index = [1.52, 1.52, 1.52]
        metal_n = [1, 1, 1]
        metal_k = [6, 6, 6]
        wedge_mrad = WEDGE
        """
    angle = math.radians(45.0)
    way = np.array([math.sin(angle), 0.0, -math.cos(angle)])
    ends = []
    for wedge in (0.0, 0.1):
        piece = parse_bench_truth(text.replace("WEDGE", str(wedge))).pieces["sheet"]
        ends.append(trace_piece(piece, np.zeros(3), way))
    turned = ends[1]["main"][1] - ends[0]["main"][1]
    assert np.linalg.norm(turned) * 1000.0 == pytest.approx(0.1 * 3.806, rel=2e-3)
    apart = ends[0]["main"][0] - ends[0]["front"][0]
    across = np.array([math.cos(angle), 0.0, -math.sin(angle)])
    assert abs(apart @ across) == pytest.approx(2.230, abs=6e-4)


def test_modulation_of_a_glass_mirror() -> None:
    beams = sheet_beams(1.52, 0.90, 0.0)  # the note's three beams, at 1.81 mm
    places = 1.81 * np.array([-1.0, 0.0, 1.0])
    found = spread.beams_modulation(places, np.array([beams.front, beams.main, beams.third]), PERIODS_PER_MM)
    assert found == pytest.approx([0.8896, 0.8701, 0.9556, 0.9970], abs=1e-4)


def test_closed_transfer_functions() -> None:
    """Closed form alone, but for the fine ripple beside the Gaussian of its variance (brute force)."""
    at = np.array([0.18739, 0.34154])
    assert spread.gaussian_modulation(1.0, at) == pytest.approx([0.5, 0.1], abs=1e-4)
    assert spread.aperture_modulation(1.0, np.array([0.60335, 1.0])) == pytest.approx([0.5, 0.0], abs=1e-4)
    assert spread.disc_modulation(1.0, np.array([0.70508, 1.21967])) == pytest.approx([0.5, 0.0], abs=1e-4)
    assert ripple_modulation(2 * 650 * 0.0005, 1.0 / (0.651 * 4)) == pytest.approx(0.4734, abs=1e-3)
    assert spread.gaussian_modulation(2 * 650 * 0.0005 / math.sqrt(2), np.array([1.0 / (0.651 * 4)])) == pytest.approx(
        0.5407, abs=1e-3
    )


def test_transfer_of_a_core_and_a_wide_tail() -> None:
    """0.93 of 0.4 mrad and 0.07 of 12 mrad: stripes of 8, 32, 128 pixels, and the share within angles."""
    per_mm = 1.0 / (0.651 * np.array([8, 32, 128]))
    kept = 0.93 * spread.gaussian_modulation(0.4e-3 * 650, per_mm) + 0.07 * spread.gaussian_modulation(
        12e-3 * 650, per_mm
    )
    assert kept == pytest.approx([0.8854, 0.9315, 0.9887], abs=2e-4)
    shares, sigmas = np.array([0.93, 0.07]), np.array([0.4, 12.0])
    within = [acceptance(angle, shares, sigmas) for angle in (4, 7.5, 12.5, 23)]
    assert within == pytest.approx([0.9338, 0.9424, 0.9593, 0.9888], abs=6e-5)
    ring = acceptance(47.1, shares, sigmas) - acceptance(15.7, shares, sigmas)
    assert ring == pytest.approx(0.0297, abs=1e-4)


def test_shares_beyond_angles_and_scatter() -> None:
    """Closed form alone."""
    assert beyond(np.array([1.0, 2.0, 3.0]), 1.0) == pytest.approx([0.6065, 0.1353, 0.0111], abs=5e-5)
    rows = [
        ((1, 633), 3.94e-4, None),
        ((10, 550), 0.0522, 0.0509),
        ((20, 550), 0.209, 0.188),
        ((30, 550), 0.470, 0.375),
    ]
    for (rough, wave), smooth, whole in rows:
        found = spread.rough_scatter(rough, wave)
        assert found[0] == pytest.approx(smooth, rel=2e-3)
        assert whole is None or found[1] == pytest.approx(whole, abs=6e-4)
    assert [spread.rough_scatter(10, wave)[0] for wave in (450, 650)] == pytest.approx([0.0780, 0.0374], abs=6e-5)
    assert spread.rough_scatter(10, 550, math.radians(45))[0] == pytest.approx(0.0261, abs=5e-5)


def test_footprint_and_shadow() -> None:
    wide = spread.footprint_mm(5, 350, 650)
    assert wide == pytest.approx(3.25)
    assert spread.shadow_mm(5, 350, 650) == pytest.approx(9.29, abs=5e-3)
    kept = spread.disc_modulation(wide, 1.0 / np.array([5, 10, 20, 50]))
    assert kept == pytest.approx([0.5619, 0.8752, 0.9678, 0.9948], abs=5e-5)
    moved = [2 * 650 * 0.0005 * float(spread.disc_modulation(wide, 1 / wave)) for wave in (5, 20)]
    blur = [
        2 * 650 * 0.0005 * math.sqrt((1 - float(spread.disc_modulation(wide, 1 / wave)) ** 2) / 2) for wave in (5, 20)
    ]
    assert moved == pytest.approx([0.365, 0.629], abs=6e-4)
    assert blur == pytest.approx([0.380, 0.116], abs=6e-4)


def test_brightness_ripple() -> None:
    ripple = brightness_ripple(0.0005, 20, 350, 650)
    assert ripple == pytest.approx(0.07147, abs=1e-5)
    cosine = math.cos(math.radians(35))
    assert [ripple / cosine, ripple * cosine] == pytest.approx([0.08725, 0.05855], abs=1e-5)


def test_a_speck_out_of_focus() -> None:
    """Closed form alone."""
    assert [(size / 3.25) ** 2 for size in (0.5, 1.0)] == pytest.approx([0.0237, 0.0947], abs=5e-5)
    area = math.pi / 4 * 0.5**2
    assert [math.sqrt(area), math.sqrt(3 * area)] == pytest.approx([0.443, 0.767], abs=6e-4)


@pytest.mark.parametrize(("ratio", "sigma_mm", "mrad"), [(0.9, 0.2922, 0.4496), (0.5, 0.7496, 1.1532)])
def test_blur_of_one_ratio(ratio: float, sigma_mm: float, mrad: float) -> None:
    """Two stripe periods of a plain spread give it back, whatever is lost beside it (closed form alone)."""
    per_mm = np.array([0.25, 0.125])
    kept = ratio ** (per_mm / 0.25) ** 2
    found = added_blur(per_mm, 0.97 * kept, np.full(2, 0.001))
    assert found.sigma_mm == pytest.approx(sigma_mm, abs=6e-5)
    assert found.sigma_mm / 650 * 1000 == pytest.approx(mrad, abs=1e-4)
    assert found.lost == pytest.approx(0.03, abs=1e-9)


def test_the_uncertainty_of_blur_is_that_of_repeated_trials() -> None:
    random = np.random.default_rng(1)
    per_mm = 1.0 / (0.651 * np.array([4, 6, 8, 12, 16]))
    kept = spread.gaussian_modulation(0.3, per_mm)
    sigma = np.full(5, 0.004)
    found = [added_blur(per_mm, kept + sigma * random.standard_normal(5), sigma) for _ in range(400)]
    z = np.array([(one.variance_mm2 - 0.09) / one.variance_sigma_mm2 for one in found])
    assert 0.8 < z.std() < 1.1  # a little below 1: chance misfits widen the stated sigma, and never narrow it


def test_edge_gives_the_transfer_of_a_known_blur() -> None:
    """ISO 12233's way on a Gaussian edge of 0.5 px: truth exp(-2 pi^2 s^2 f^2), 0.735 at 0.25 and 0.291 at 0.5."""
    random = np.random.default_rng(2)
    place = random.uniform(-16, 16, 40_000)
    light = np.array([0.5 * (1 + math.erf(x / (0.5 * math.sqrt(2)))) for x in place])
    per_px = np.array([0.125, 0.25, 0.5])
    found = edge_modulation(place, light, per_px, bin_mm=0.125)
    assert found == pytest.approx(spread.gaussian_modulation(0.5, per_px), abs=0.01)


def test_edge_widths_of_a_normal_spread() -> None:
    """Closed form alone."""
    x = np.linspace(-5, 5, 20_001)
    edge = np.array([0.5 * (1 + math.erf(one / math.sqrt(2))) for one in x])
    assert np.interp(0.9, edge, x) - np.interp(0.1, edge, x) == pytest.approx(2.5631, abs=1e-3)
    assert 2 * math.sqrt(2 * math.log(2)) == pytest.approx(2.3548, abs=5e-5)
