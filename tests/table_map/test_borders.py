"""Built borders between zones: the line in closed form, whose light a sample is, and a map that is right up to it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from bench_rigs import overhead_camera, panels_rig
from folded_scan import (
    FoldedScan,
    Line,
    beside,
    picture_of,
    placed,
    roof,
    sharing,
    twisted,
    with_panels,
)
from scipy.integrate import quad
from scipy.optimize import brentq, curve_fit
from scipy.special import ndtr

from rigwarp.geometry import Array
from rigwarp.table_map import Samples, fit_table_map, mounting_tolerances
from rigwarp.table_map.borders import Border, Borders, find_borders
from rigwarp.table_map.borders.light_profile import _SHAPE, STEPS, LightProfile, line_by_light
from rigwarp.table_map.fit import _register
from rigwarp.table_map.ripple import BEAM_MM2, MapRipple
from rigwarp.tracing import OpticalModel, build_model, trace_map

TOLERANCES = mounting_tolerances(3.0, np.radians(1.0), 1.0, np.radians(0.5))
FOOT_MM, TOP_MM = 3.0, 2.0  # the fold is built so far beside its place, at its two ends
ENDS_MM = np.array([[FOOT_MM, -120.0, 0.0], [TOP_MM, 120.0, 0.0]])
BEAM_PX = 2.5


@dataclass(frozen=True, kw_only=True)
class Folded:
    """A folded mirror, scanned one zone after the other."""

    design: OpticalModel
    built: OpticalModel
    line: Line
    samples: Samples

    @property
    def size(self) -> tuple[int, int]:
        return self.design.projector.resolution

    def sorted(self) -> Borders:
        registration = _register(self.design, self.samples, TOLERANCES)
        zone_map = trace_map(registration.model).zone
        return find_borders(registration.model, zone_map, self.samples)

    def on_the_line(self) -> Array:
        """Pixels every ten rows."""
        rows = np.arange(10.0, self.size[1] - 10.0, 10.0)
        (u0, v0), (u1, v1) = self.line
        return np.stack([u0 + (rows - v0) * (u1 - u0) / (v1 - v0), rows], axis=-1)


def folded(fold_deg: float, *, twist: float = 0.0, bend: float = 0.0, by_zone: bool = True, **scan: float) -> Folded:
    rig = panels_rig(roof(fold_deg))
    built = with_panels(rig, roof(fold_deg, foot_mm=FOOT_MM, top_mm=TOP_MM))
    low, high = picture_of(built, rig, ENDS_MM)
    if twist or bend:
        built = twisted(built, 1, twist, bend)
    shares = sharing([((low, high), 0, 1)], 2, BEAM_PX)
    samples = FoldedScan(model=built, rig=rig, shares=shares, by_zone=by_zone, **scan).samples()
    return Folded(design=build_model(rig, meshes={}), built=built, line=(low, high), samples=samples)


def jump_of_planes(scene: Folded, border: Border, fold_deg: float) -> tuple[int, float]:
    """The stretch in the middle of a fold, and the jump there, mm: the law of reflection at the two planes."""
    panels = [np.array(p) for p in roof(fold_deg, foot_mm=FOOT_MM, top_mm=TOP_MM)]
    mirror, lens = scene.built.mirror, scene.built.projector.placement.position_mm
    middle = ENDS_MM.mean(axis=0) @ mirror.rotation.T + mirror.position_mm
    ray = (middle - lens) / np.linalg.norm(middle - lens)
    landed = []
    for corners in panels:
        normal = np.cross(corners[1] - corners[0], corners[3] - corners[0]) @ mirror.rotation.T
        normal /= np.linalg.norm(normal)
        away = ray - 2.0 * (ray @ normal) * normal
        landed.append((middle - middle[2] * away / away[2])[:2])
    nearest = int(np.argmin(np.linalg.norm(border.line_px - scene.on_the_line().mean(axis=0), axis=-1)))
    return nearest, float(np.linalg.norm(landed[1] - landed[0]))


@pytest.mark.parametrize("covered_from", [-1.0, -0.5, 0.0, 0.5])
@pytest.mark.parametrize("shaded", [False, True])
def test_how_far_half_of_a_beam_may_lie_from_its_mean(covered_from: float, shaded: bool) -> None:
    """A disk of light, of which what lies beyond a chord is left; `shaded`: lit from nothing to full across."""

    def light(x: float) -> float:
        return float(np.sqrt(max(1.0 - x * x, 0.0)) * (1.0 + x if shaded else 1.0))

    def moment(of: Callable[[float], float], end: float = 1.0) -> float:
        return float(quad(lambda x: of(x) * light(x), covered_from, end)[0])

    whole = moment(lambda x: 1.0)
    mean = moment(lambda x: x) / whole
    width = np.sqrt(moment(lambda x: (x - mean) ** 2) / whole)
    half = brentq(lambda end: moment(lambda x: 1.0, end) - 0.5 * whole, covered_from, 1.0)
    assert abs(half - mean) < 1.05 * _SHAPE * width


@pytest.mark.parametrize(
    ("fold_deg", "twist", "bend"), [(0.3, 0.0, 0.0), (-0.8, 0.1, 0.0), (3.0, 0.0, 2e-4), (20.0, 0.0, 0.0)]
)
def test_the_line_is_where_the_plane_through_lens_and_fold_meets_the_picture(
    fold_deg: float, twist: float, bend: float
) -> None:
    scene = folded(fold_deg, twist=twist, bend=bend)
    borders = scene.sorted()
    (border,) = borders.borders
    assert border.told
    assert np.abs(beside(scene.line, border.line_px)).max() > 1.0  # px: the design's line will not do
    error = border.margin(scene.on_the_line())
    assert np.isfinite(error).mean() > 0.9
    error = error[np.isfinite(error)]
    assert np.abs(error).max() < 0.5  # px
    assert np.all(np.abs(error) < 3.0 * border.sigma_px.max())
    # every sample that is fitted is that zone's light, to what noise does to a place
    for zone in (0, 1):
        here = borders.sound & (borders.zone == zone)
        landed = scene.built.trace(scene.samples.pixels_px[here], zone=zone, extended=True).table_mm
        assert np.percentile(np.linalg.norm(landed - scene.samples.table_mm[here], axis=-1), 99.9) < 0.3  # mm
        assert here.sum() > 10_000
    if not twist and not bend:
        nearest, wanted_mm = jump_of_planes(scene, border, fold_deg)
        assert border.jump_mm[nearest] == pytest.approx(wanted_mm, rel=0.03)


@pytest.fixture(scope="module")
def blurred() -> tuple[Folded, Border]:
    """Ripple spreads each pixel's light by 2 pixels: positions on the line are drawn by 4 times 0.8 / 2.5, 1.3 px."""
    scene = folded(3.0, blur_px=2.0)
    (border,) = scene.sorted().borders
    return scene, border


def test_positions_that_blur_draws_to_the_light_do_not_draw_the_line(blurred: tuple[Folded, Border]) -> None:
    scene, border = blurred
    error = border.margin(scene.on_the_line())
    assert np.abs(error[np.isfinite(error)]).max() < 0.5  # px


def test_a_ripple_along_the_line_moves_it_as_half_a_beam_fades_it(blurred: tuple[Folded, Border]) -> None:
    """The variance of half a disk, by counting; waves across the line average out over their number."""
    x, y = np.meshgrid(*(np.linspace(-1.0, 1.0, 1001),) * 2)
    disk, half = np.hypot(x, y) < 1.0, (np.hypot(x, y) < 1.0) & (x > 0)
    share = np.var(x[half]) / np.var(x[disk])
    border = blurred[1]
    across = np.degrees(np.arctan2(*border.band.across(border.line_px).mean(axis=0)[::-1]))

    def ripple(direction_deg: float) -> MapRipple:
        return MapRipple(
            zone=0,
            period_px=9.0,
            direction_deg=direction_deg,
            period_mm=1.7,
            direction_on_mirror_deg=0.0,
            amplitude_mm=0.2,
            turns_deg=0.0,
            share=1.0,
        )

    k2 = (2.0 * np.pi / 1.7) ** 2
    wanted_mm = 0.2 * np.exp(0.5 * BEAM_MM2 * (1.0 - share) * k2) / np.sqrt(2.0)
    assert border.drawn_by(ripple(across)) == pytest.approx(wanted_mm, rel=0.01)
    count = np.linalg.norm(np.ptp(border.line_px, axis=0)) / 9.0
    assert border.drawn_by(ripple(across + 90.0)) == pytest.approx(0.2 / np.sqrt(2.0) / count, rel=0.01)
    wider = Borders(borders=[border], zone=np.zeros(0, np.int64), sound=np.zeros(0, bool)).beside_ripple(
        [ripple(across)], {0: 0.5}
    )
    assert wider.borders[0].sigma_px == pytest.approx(np.hypot(border.sigma_px, wanted_mm / 0.5), rel=0.01)
    # beside one end alone it shifts that end; what of it least squares give to the rest is no longer than itself
    low = border.line_px[:, 1] < np.quantile(border.line_px[:, 1], 0.25)
    drawn = border.drawn_by(replace(ripple(across), beside=lambda at: (at[:, 1] < border.line_px[~low, 1].min()) * 1.0))
    shift = low * wanted_mm
    line = np.polynomial.Polynomial.fit(border.line_px[:, 1], shift, 3)(border.line_px[:, 1])
    assert drawn[low] == pytest.approx(wanted_mm, rel=0.01)
    assert np.sqrt(np.mean(line**2)) < np.sqrt(np.mean(drawn**2))
    assert np.all(drawn[~low] < 0.6 * wanted_mm)


def test_blur_does_not_draw_the_jump(blurred: tuple[Folded, Border]) -> None:
    scene, border = blurred
    nearest, wanted_mm = jump_of_planes(scene, border, 3.0)
    assert border.jump_mm[nearest] == pytest.approx(wanted_mm, rel=0.03)


def test_the_map_is_right_up_to_the_line() -> None:
    scene = folded(-0.8, twist=0.1)
    fit = fit_table_map(scene.design, scene.samples, overhead_camera(), TOLERANCES)
    v, u = np.mgrid[: scene.size[1], : scene.size[0]]
    pixels = np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
    beyond = beside(scene.line, pixels)
    truth = np.where(
        (beyond > 0)[:, None],
        scene.built.trace(pixels, zone=1, extended=True).table_mm,
        scene.built.trace(pixels, zone=0, extended=True).table_mm,
    )
    error = fit.table_map.table_mm.reshape(-1, 2) - truth
    sigma = fit.table_map.sigma_mm.ravel()
    near = np.abs(beyond) < 20.0
    known = np.isfinite(truth).all(axis=-1) & near
    assert fit.table_map.answered.ravel()[known].all()  # content stays up to the line
    assert np.sqrt(np.mean((error[known] / sigma[known, None]) ** 2)) < 1.3
    clear = known & (np.abs(beyond) > 1.0)
    assert np.linalg.norm(error[clear], axis=-1).max() < 0.2  # mm, where the other zone's light is 13 mm off
    side = fit.table_map.zone.ravel() == (beyond > 0)
    assert side[clear].all()


def test_three_panels_that_meet_in_a_corner() -> None:
    """Each pixel goes to its own panel; the lines are those through the pictures of the three edges."""
    rise = float(200.0 * np.tan(np.radians(2.0)))
    turns = np.radians([90.0, 210.0, 330.0])

    def edges(x: float, y: float) -> list[list[float]]:
        return [[x + round(200.0 * float(np.cos(t)), 9), y + round(200.0 * float(np.sin(t)), 9), rise] for t in turns]

    def panels(x: float, y: float) -> list[list[list[float]]]:
        ends = edges(x, y)
        return [[[x, y, 0.0], ends[i], ends[(i + 1) % 3]] for i in range(3)]

    rig = panels_rig(panels(0.0, 0.0))
    built = with_panels(rig, panels(FOOT_MM, TOP_MM))
    apex = picture_of(built, rig, np.array([[FOOT_MM, TOP_MM, 0.0]]))[0]
    ends = picture_of(built, rig, np.array(edges(FOOT_MM, TOP_MM)))

    def depth(pixels: Array) -> Array:
        """(3, N) distance inwards from the nearer of each panel's two edges."""
        found = []
        for i in range(3):
            sides = []
            for edge, inner in ((i, (i + 1) % 3), ((i + 1) % 3, i)):
                along = (ends[edge] - apex) / np.linalg.norm(ends[edge] - apex)
                normal = np.array([along[1], -along[0]])
                sides.append((pixels - apex) @ normal * np.sign((ends[inner] - apex) @ normal))
            found.append(np.min(sides, axis=0))
        return np.stack(found)

    def shares(pixels: Array) -> Array:
        light = ndtr(depth(pixels) / BEAM_PX)
        return light / np.maximum(light.sum(axis=0), 1e-9)

    samples = FoldedScan(model=built, rig=rig, shares=shares).samples()
    scene = Folded(design=build_model(rig, meshes={}), built=built, line=(apex, ends[0]), samples=samples)
    borders = scene.sorted()
    assert [border.told for border in borders.borders] == [True] * 3
    v, u = np.mgrid[: scene.size[1], : scene.size[0]]
    pixels = np.stack([u.ravel(), v.ravel()], axis=-1).astype(float)
    deep = depth(pixels)
    owner = np.full(u.shape, -1, np.int64)
    borders.draw(owner)
    drawn = owner.ravel() >= 0
    assert drawn[deep.max(axis=0) < 5.0].all()
    from_line = np.where(
        np.linalg.norm(pixels - apex, axis=-1) < 20.0, 2.5, 1.0
    )  # px; nothing but the lines tell there
    clear = drawn & (deep.max(axis=0) > from_line)
    assert np.array_equal(owner.ravel()[clear], np.argmax(deep, axis=0)[clear])


def test_a_fold_that_throws_light_to_one_place_needs_no_line() -> None:
    rig = panels_rig(roof(0.004))
    design = build_model(rig, meshes={})
    built = placed(design)
    line = tuple(picture_of(built, rig, np.array([[0.0, -120.0, 0.0], [0.0, 120.0, 0.0]])))
    scan = FoldedScan(model=built, rig=rig, shares=sharing([(line, 0, 1)], 2, BEAM_PX), by_zone=False)
    scene = Folded(design=design, built=built, line=line, samples=scan.samples())
    borders = scene.sorted()
    (border,) = borders.borders
    assert not border.told
    assert np.all(border.offset_px == 0.0)
    assert np.median(border.jump_mm) < 0.2  # mm
    assert np.all(border.sigma_px > 5.0)  # px: nothing tells where it is


def profile_of(line_px: float, width_px: float, gap: tuple[float, float]) -> LightProfile:
    """Both zones' light across a line, without the samples between the ends of a gap."""
    distance = np.repeat(np.arange(-15.0, 15.0, 0.1), 3)
    distance = distance[(distance < gap[0]) | (distance > gap[1])]
    second = np.tile([False, True], (len(distance), 1)).T.ravel()
    both = np.tile(distance, 2)
    share = ndtr((both - line_px) / width_px)
    share = np.where(second, share, 1.0 - share)
    seen = share > 0.05
    return LightProfile(
        distance_px=both[seen],
        stretch=np.zeros(np.count_nonzero(seen), int),
        second=second[seen],
        share=share[seen],
        sigma_px=np.full(np.count_nonzero(seen), 0.03),
        cut=np.zeros(np.count_nonzero(seen), bool),
    )


def test_a_profile_of_light_tells_its_middle_and_a_gap_tells_its_ends() -> None:
    found = line_by_light(profile_of(3.3, 2.5, (0.0, 0.0)), 1, 16.0, 2.5)
    assert found.offset_px[0] == pytest.approx(3.3, abs=0.05)
    found = line_by_light(profile_of(1.0, 0.1, (-4.0, 6.0)), 1, 16.0, 0.1)
    assert found.offset_px[0] == pytest.approx(1.0, abs=0.7)  # the middle of the gap
    assert found.variance_px2[0] == pytest.approx(10.0**2 / 12.0, rel=0.3)  # of an even distribution over ten pixels


@pytest.mark.parametrize("gain", [1.0, 0.96, 0.94])
def test_a_line_is_found_whatever_the_gain_beside_it(gain: float) -> None:
    """Against scipy.optimize.curve_fit on the means over a hundredth of the strip: both gains are unknown to 10 %."""
    half_px, width_px, line_px = 16.0, 2.5, 3.3
    profile = profile_of(line_px, width_px, (0.0, 0.0))
    gained = ~profile.second & (profile.distance_px > line_px - 3.0 * width_px)
    share = np.where(gained, gain, 1.0) * profile.share
    found = line_by_light(replace(profile, share=share), 1, half_px, width_px)

    x = np.tile((np.arange(-15.0, 15.0, 2.0 * half_px / STEPS) - line_px) / width_px, 2)
    second = np.arange(len(x)) * 2 >= len(x)
    there = ndtr(np.where(second, x, -x)) > 0.05
    x, second = x[there], second[there]
    near = np.abs(x) < 3.0  # further off nothing is missing, and the gain is told by the light there

    def shares(_: Array, moved_px: float, log_first: float, log_second: float) -> Array:
        beyond = x - moved_px / width_px
        whole = np.exp(np.where(near, np.where(second, log_second, log_first), 0.0))
        light = whole * ndtr(np.where(second, beyond, -beyond))
        return np.append(light, [log_first, log_second])  # what is known of the gains

    wanted = shares(x, 0.0, np.log(gain), 0.0)
    wanted[-2:] = 0.0
    sigma = np.append(np.full(len(x), 0.08), [0.1, 0.1])
    (moved_px, *_), covariance = curve_fit(shares, x, wanted, np.zeros(3), sigma, absolute_sigma=True)
    assert found.offset_px[0] == pytest.approx(line_px + moved_px, abs=0.08)
    if gain == 1.0:  # the others' lines move with the place where the gain is taken to end
        assert found.variance_px2[0] == pytest.approx(covariance[0, 0], rel=0.1)


def test_the_bound_is_what_least_squares_leave_of_the_line_width_and_gains() -> None:
    """Against the covariance of scipy.optimize.curve_fit, which knows the noise and nothing of this."""
    scatter, half_px, width_px = 0.03, 10.0, 2.5
    clean = profile_of(1.3, width_px, (0.0, 0.0))
    noise = scatter * np.random.default_rng(8).normal(size=len(clean.share))
    profile = replace(clean, share=clean.share + noise, sigma_px=np.full(len(noise), 1e-6))
    bound_px = line_by_light(profile, 1, half_px, width_px).bound_px(np.ones((1, 1)), np.zeros((1, 1)))[0]

    near = np.abs(profile.distance_px - 1.3) < 3.0 * width_px  # further off no light is missing
    second = profile.second[near]

    def shares(at: Array, line_px: float, log_width: float, by_first: float, by_second: float) -> Array:
        x = (at - line_px) / (width_px * np.exp(log_width))
        return np.where(second, (1.0 + by_second) * ndtr(x), (1.0 + by_first) * ndtr(-x))

    sigma, start = np.full(np.count_nonzero(near), scatter), (1.0, 0.0, 0.0, 0.0)
    _, covariance = curve_fit(shares, profile.distance_px[near], profile.share[near], start, sigma, absolute_sigma=True)
    assert bound_px == pytest.approx(np.sqrt(covariance[0, 0]), rel=0.05)
