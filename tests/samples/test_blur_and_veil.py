"""Small blurs, light over discs' edges, waves in thick sheets, specks among waves: against closed forms, exact rays."""

from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
from samples_bench import MeasuredCycle

from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench, parse_bench
from rigwarp.samples.frames import PERIODS_PX, disc_pixels, disc_radius_px
from rigwarp.samples.leg import Leg, _without_noise
from rigwarp.samples.local_blur import companions_doubts_mm2, stripe_blur
from rigwarp.samples.optical_slopes import slope_bands
from rigwarp.samples.registered import Nodes, nodes_of, register
from rigwarp.samples.sent_light import sent_light
from rigwarp.samples.specks import find_specks
from rigwarp.samples.veil import light_on_places, share_beyond
from rigwarp.simulation.samples.sheet import trace_piece
from rigwarp.simulation.samples.true_figures import through_sheet
from rigwarp.simulation.samples.truth import BenchTruth, Wave, parse_bench_truth


@pytest.fixture(scope="module")
def bench() -> SampleBench:
    text = resources.files("rigwarp.scenarios").joinpath("offcut-box", "bench.toml").read_text(encoding="utf-8")
    return parse_bench(text)


@pytest.fixture(scope="module")
def truth() -> BenchTruth:
    where = resources.files("rigwarp.scenarios").joinpath("offcut-box", "virtual_samples.toml")
    return parse_bench_truth(where.read_text(encoding="utf-8"))


@pytest.mark.parametrize("mrad", [0.1, 0.14, 0.2])
def test_small_blurs(cycle: MeasuredCycle, mrad: float) -> None:
    """The second reference's stripes, with their noise, times exp(-2 pi^2 s^2 f^2) and a veil of 3 %, beside the first.

    0.1 mrad is 0.065 mm on the screen, a tenth of a pixel: the finest stripes lose 3 % of their contrast by it.
    """
    bench = cycle.folder.bench
    per_mm = {period: 1.0 / (bench.pixel_mm * period) for period in PERIODS_PX}
    spread_mm = mrad / 1000.0 * bench.far_mm

    def blurred(leg: Leg) -> Leg:
        kept = {period: 0.97 * np.exp(-2.0 * np.pi**2 * (spread_mm * f) ** 2) for period, f in per_mm.items()}
        return replace(leg, contrast={key: np.float32(kept[key[1]]) * one for key, one in leg.contrast.items()})

    nodes = nodes_of(bench, cycle.legs["R1"])
    s, r = register(blurred(cycle.legs["R2"]), nodes), register(cycle.legs["R1"], nodes)
    one_beam = (np.zeros((1, 1)), np.ones(1))
    for axis in ("x", "y"):
        found = stripe_blur(bench, s, r, axis, (one_beam, one_beam)).added
        assert 1000.0 * found.sigma_mm / bench.far_mm == pytest.approx(mrad, rel=0.05)
        assert found.lost == pytest.approx(0.03, abs=0.002)


def test_an_index_that_is_off_changes_blur_by_its_doubt(cycle: MeasuredCycle) -> None:
    """Glass taken for one whose index is 0.005 higher: its companions, and so the stripes' loss, are another."""
    bench = cycle.folder.bench
    nodes = nodes_of(bench, cycle.legs["R1"])
    s, r = register(cycle.legs["R2"], nodes), register(cycle.legs["R1"], nodes)
    glass = bench.reference
    off = replace(glass, index=glass.index + 0.005)
    right, wrong = (bench.beams(sheet, nodes.u, 0.9) for sheet in (glass, off))
    found = [stripe_blur(bench, s, r, "x", (beams, right)).added.variance_mm2 for beams in (right, wrong)]
    assert abs(found[1] - found[0]) == pytest.approx(abs(companions_doubts_mm2(bench, glass, 0.9)[0]), rel=0.35)
    assert not companions_doubts_mm2(bench, replace(glass, thickness_mm=0.0), 0.9).any()


def test_light_beyond_a_radius() -> None:
    """Round normal spreads: exp(-r^2 / 2 s^2); and one that is long and thin, like a line: 2 (1 - Phi(r / s))."""
    assert [share_beyond(r, np.ones(2)) for r in (1.0, 2.0, 3.0)] == pytest.approx([0.6065, 0.1353, 0.0111], abs=5e-5)
    assert share_beyond(2.0, np.array([1.0, 1e-8])) == pytest.approx(0.0455, abs=2e-4)


def test_light_over_a_discs_edge(bench: SampleBench) -> None:
    """A disc of 32 px in its pixels: in its middle; around its edge, bent by s/R; and outside."""
    disc = disc_pixels(bench, 32)
    radius = float(np.sqrt(np.count_nonzero(disc) / np.pi))
    assert radius == pytest.approx(disc_radius_px(bench, 32), abs=0.05)
    (middle,) = light_on_places(disc, np.full(2, 12.0**2), np.zeros((1, 2)))
    assert middle == pytest.approx(np.exp(-0.5 * (radius / 12.0) ** 2), rel=0.01)
    turn = np.linspace(0.0, 6.2, 50)
    edge = light_on_places(disc, np.full(2, 4.0), radius * np.stack([np.cos(turn), np.sin(turn)], axis=-1))
    # an edge x = -y^2 / 2R before a spread of s: 1/2 + s / (2 R sqrt(2 pi))
    assert np.mean(edge) == pytest.approx(0.5 + 2.0 / (2.0 * radius * np.sqrt(2.0 * np.pi)), abs=0.004)
    assert light_on_places(disc, np.full(2, 4.0), np.array([[radius + 12.0, 0.0]])) == pytest.approx([1.0], abs=1e-6)


def test_black_is_smoothed_but_for_what_stands_out() -> None:
    black = np.full((60, 60), 0.01) + 1e-4 * np.random.default_rng(3).standard_normal((60, 60))
    black[20, 30] = 0.05  # a hot pixel
    found = _without_noise(black.astype(np.float32))
    away = np.hypot(*(np.indices(black.shape) - np.array([20, 30])[:, None, None])) > 10
    assert found[20, 30] == pytest.approx(0.05)
    assert np.std(found[away]) < 0.25e-4


@pytest.mark.parametrize(("wavelength_mm", "degrees"), [(7.0, 0.0), (12.0, 30.0), (8.0, 90.0)])
def test_waves_of_a_thick_sheet_by_exact_rays(truth: BenchTruth, wavelength_mm: float, degrees: float) -> None:
    """Acrylic of 3 mm: its main beam is turned by up to a tenth more than bare metal's, and where it meets the rear."""
    slope, way = 1e-5, np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    wave = Wave(slope_rad=slope, wavelength_mm=wavelength_mm, direction_rad=np.radians(degrees), phase_rad=0.0)
    piece = replace(truth.pieces["acrylic"], waves=(wave,), bow_radius_mm=None, wedge_rad=0.0)
    along = np.arange(48) / 48.0 * wavelength_mm / max(abs(way[0]), abs(way[1]))
    start = np.stack([along, np.zeros(48)] if degrees < 90.0 else [np.zeros(48), along], axis=-1)
    ray = np.array([np.sin(truth.angle_rad), 0.0, -np.cos(truth.angle_rad)])
    points = np.column_stack([start, np.zeros(48)])
    out = trace_piece(piece, points, np.broadcast_to(ray, points.shape))["main"][1]
    turned = np.stack([np.arctan2(out[:, 0], out[:, 2]) - truth.angle_rad, out[:, 1]], axis=-1)
    ahead = piece.thickness_mm * np.tan(np.arcsin(np.sin(truth.angle_rad) / piece.index[1]))
    turn = 2.0 * np.pi / wavelength_mm * (np.add(start, [ahead, 0.0]) @ way)
    found = -2.0 * np.mean(turned * np.exp(-1j * turn)[:, None], axis=0)  # rising slopes send light back
    wanted = 2.0 * slope * through_sheet(truth, piece, wave) * way * [1.0, np.cos(truth.angle_rad)]
    assert np.abs(found - wanted).max() < 0.01 * np.abs(wanted).max()
    assert 1.0 <= through_sheet(truth, piece, wave) < 1.15


def _flat_nodes(pitch_mm: float, count: int) -> Nodes:
    return Nodes(u=np.arange(float(count)), v=np.arange(float(count)), pitch_mm=np.full(2, pitch_mm))


def _disc_share(bench: SampleBench, nodes: Nodes, at_mm: tuple[float, float], diameter_mm: float) -> Array:
    """What a small speck takes of each node's beam: (a / w)^2 inside the beam's ellipse."""
    x, y = (
        (nodes.u - (len(nodes.u) - 1) / 2) * nodes.pitch_mm[0],
        (nodes.v - (len(nodes.v) - 1) / 2) * nodes.pitch_mm[1],
    )
    inside = np.hypot((x - at_mm[0]) * np.cos(bench.angle_rad), (y - at_mm[1])[:, None]) < bench.footprint_mm / 2.0
    return np.asarray(inside * (diameter_mm / bench.footprint_mm) ** 2 * np.cos(bench.angle_rad))


def test_specks_beside_waves(bench: SampleBench) -> None:
    """One of 0.4 mm where the sheet is calm; where waves crowd light brightness wanders, and none is invented."""
    nodes = _flat_nodes(0.23, 120)
    x, y = np.meshgrid(*(0.23 * (np.arange(120) - 59.5),) * 2)
    crowding = 0.04 / (1.0 + np.exp(-2.0 * x))
    ripple = 0.5 * crowding * np.sin(2.0 * np.pi * x / 5.0) * np.sin(2.0 * np.pi * y / 6.0)
    noise = 0.002 * np.random.default_rng(8).standard_normal(x.shape)
    ratio = 0.97 * (1.0 + ripple + noise - _disc_share(bench, nodes, (-7.0, 3.0), 0.4))
    found = find_specks(bench, ratio, nodes, crowding)
    (one,) = found.dark
    assert (one.x_mm, one.y_mm) == (pytest.approx(-7.0, abs=0.5), pytest.approx(3.0, abs=0.5))
    assert one.area_mm2 == pytest.approx(np.pi / 4.0 * 0.4**2, rel=0.1)
    assert found.least_mm < one.grade_mm < found.everywhere_mm


def _by_waves(leg: Leg, bench: SampleBench, reach_px: float) -> Leg:
    """A leg whose waves, 40 projector pixels long, send light to and fro: by brute force, from all over the pupil."""
    rows, columns = 140, 330
    wide = bench.footprint_mm / (bench.pixel_mm * bench.to_mirror)  # the beam on the mirror, in the picture's pixels
    sent = np.arange(-20.0, columns / 2 + 20.0, 0.05)
    pupil = np.linspace(-0.5, 0.5, 65)[1:-1]
    share = np.sqrt(1.0 - (2.0 * pupil) ** 2)
    landed = sent + reach_px * np.sin(2.0 * np.pi * (sent + wide * pupil[:, None]) / 40.0)
    # each camera pixel is half a projector pixel wide
    which = np.clip(np.floor(2.0 * landed + 0.5), -1, columns).astype(int) + 1

    def seen(light: Array) -> Array:
        both = share[:, None] * light
        total = [np.bincount(which.ravel(), part.ravel(), columns + 2)[1:-1] for part in (both.real, both.imag)]
        return np.broadcast_to(total[0] + 1j * total[1], (rows, columns))

    white = seen(np.ones(len(sent), complex)).real
    waves = {period: seen(np.exp(2j * np.pi * sent / period)) / white for period in (8, 12, 16)}
    plain = np.stack(np.meshgrid(np.arange(columns) / 2.0, np.arange(rows) / 2.0), axis=-1)
    u, v = np.moveaxis(plain, -1, 0)
    places = {
        period: np.stack([u + np.angle(wave * np.exp(-2j * np.pi * u / period)) * period / (2.0 * np.pi), v], axis=-1)
        for period, wave in waves.items()
    }
    contrast = {("x", period): np.float32(0.96 * np.abs(wave)) for period, wave in waves.items()}
    contrast |= {("y", period): np.full((rows, columns), 0.96, np.float32) for period in waves}
    affine = np.array([[0.5, 0.0, 0.0], [0.0, 0.5, 0.0]])
    return replace(
        leg, white=np.float32(white / 1e4), contrast=contrast, position=places[8], origin=places[16], affine=affine,
        lit=np.ones((rows, columns), bool),
    )  # fmt: skip


def test_light_is_put_back_where_it_came_from(cycle: MeasuredCycle) -> None:
    """Waves that crowd light by a sixth lose none: the map is even, and the picture divided by its density is not."""
    bench, leg = cycle.folder.bench, cycle.legs["R1"]
    nodes = Nodes(u=np.arange(30.0, 130.0), v=np.arange(40.0, 60.0), pitch_mm=np.full(2, 0.23))
    still, waved = (_by_waves(leg, bench, reach) for reach in (0.0, 1.5))
    sent = sent_light(bench, waved, still, nodes)
    along = np.convolve(sent.light.mean(axis=0), np.ones(8) / 8.0, mode="valid")
    s, r = register(waved, nodes), register(still, nodes)
    plain = (s.read(waved.white) * s.density / (r.read(still.white) * r.density)).mean(axis=0)
    assert np.ptp(s.read(waved.white)[10]) / np.mean(s.read(waved.white)[10]) > 0.3
    assert np.std(along) / np.mean(along) < 0.2 * np.std(plain) / np.mean(plain)
    assert np.std(along) / np.mean(along) < 0.0015
    assert 0.0 <= sent.smoothed_px2[1] < sent.smoothed_px2[0] < 6.0


def _read_wave(bench: SampleBench, wave_mm: float, spread_mm: float) -> float:
    """What a blur on the screen leaves of a wave there, by stripes of all periods through it: by brute force."""
    count, amplitude_mm = 27_000, 0.05
    sent = (np.arange(count) + 0.5) * 20.0 * wave_mm / count
    step = sent[1] - sent[0]
    landed = (sent + amplitude_mm * np.sin(2.0 * np.pi * sent / wave_mm)) / step - 0.5
    whole = np.floor(landed).astype(int)
    kernel = np.exp(-2.0 * np.pi**2 * (spread_mm * np.fft.fftfreq(count, step)) ** 2)

    def seen(light: Array) -> Array:
        shares = ((whole, 1.0 - landed + whole), (whole + 1, landed - whole))
        parts = [np.bincount(at % count, light * share, count) for at, share in shares]
        return np.fft.ifft(np.fft.fft(parts[0] + parts[1]) * kernel).real

    white, total, weights = seen(np.ones(count)), np.zeros(count), np.zeros(count)
    for period in (20.0 * wave_mm / np.round(20.0 * wave_mm / (bench.pixel_mm * p)) for p in (4, 6, 8, 12, 16)):
        turn = 2.0 * np.pi * sent / period
        stripes = (seen(np.cos(turn)) + 1j * seen(np.sin(turn))) / white
        weight = (np.abs(stripes) / period) ** 2
        total -= weight * np.angle(stripes * np.exp(-1j * turn)) * period / (2.0 * np.pi)
        weights += weight
    return float(2.0 * np.mean(total / weights * np.sin(2.0 * np.pi * sent / wave_mm)) / amplitude_mm)


@pytest.mark.parametrize("spread_mm", [0.3, 0.7])
def test_blur_on_the_screen_is_taken_off_slopes(bench: SampleBench, spread_mm: float) -> None:
    """A wave of 8 mm that is read through blur, and the slope that is given back."""
    nodes = _flat_nodes(0.25, 160)
    x = 0.25 * np.arange(160)
    wave = np.stack([np.broadcast_to(1e-3 * np.sin(2.0 * np.pi * x / 8.0), (160, 160)), np.zeros((160, 160))], axis=-1)
    kept = _read_wave(bench, 8.0 * bench.pixel_mm / nodes.pitch_mm[0], spread_mm)
    sharp, given_back = (
        slope_bands(bench, slopes, None, nodes, spread_mm2=spread)[0].rms_rad[0]
        for slopes, spread in ((wave, np.zeros(2)), (kept * wave, np.array([spread_mm**2, 0.1])))
    )
    assert kept < 0.99
    assert given_back == pytest.approx(sharp, rel=2.5e-3)  # of 1 to 5 %: the window widens the line
