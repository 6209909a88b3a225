"""A ripple that only blurs: told from stripes with a known loss, and not seen where there is none."""

import numpy as np
import pytest
from as_built_rig import moved, scan

from rigwarp.as_built.findings import findings_of
from rigwarp.as_built.fine_ripple import ASSUMED_PITCH_MM, FineRipple, fine_ripples
from rigwarp.as_built.ripple import Ripple
from rigwarp.decode import Modulation
from rigwarp.geometry import plane_hit, reflect, rotation_from_vector

PERIODS_PX = np.array([18.0, 22.75, 24.25, 25.25])
CELL_PX = 24.0
PUPIL_MM, FOCUS_MM = 1.0, 220.0
LENS_PX2, CAMERA_PX2 = 0.7, 0.45
NOISE = 0.0015  # of a cell's modulation, what small virtual rigs show


@pytest.fixture(scope="module")
def seated(model, camera):
    """A rig that is mounted a little wrong, and the samples of its map."""
    shifts = np.array([1.0, -0.8, 0.9, 0.0, 0.0, 0.0, 0.3, -0.3, 0.2, *np.deg2rad([0.2, -0.2, 0.1])])
    built = moved(model, shifts)
    samples, _, zone = scan(built, camera, step_px=12)
    return built, samples, zone


def seen_aside(built, camera, pixels, table_mm):
    """Projector pixels per mm in the pupil, per radian of slope and per camera pixel, (N, 2, 2) each: traced."""

    def landing(model, at=pixels):
        return model.trace(at, extended=True).table_mm

    steps = 0.5 * np.eye(2)
    to_px = np.linalg.inv(np.stack([landing(built, pixels + s) - landing(built, pixels - s) for s in steps], axis=-1))
    lateral = built.projector.placement.rotation[:, :2]
    beside = [(landing(built.moved(0.05 * e, *np.zeros((3, 3)))), 0.05) for e in lateral.T]
    pupil = np.stack([(there - landing(built)) / step for there, step in beside], axis=-1)
    trace = built.trace(pixels, extended=True)
    hit, normal = built.mirror.to_table(trace.mirror_mm), trace.normal @ built.mirror.rotation.T
    direction = built.pixel_rays(pixels)
    tilted = []
    for about in ([0.0, -1.0, 0.0], [1.0, 0.0, 0.0]):  # a slope along x turns the normal about -y, one along y about x
        ends = []
        for slope in (1e-5, -1e-5):
            turned = normal @ rotation_from_vector(slope * built.mirror.rotation @ np.array(about)).T
            off = reflect(direction, turned)
            ends.append(hit[:, :2] + plane_hit(hit, off, 0.0)[:, None] * off[:, :2])
        tilted.append((ends[0] - ends[1]) / 2e-5)
    sight = camera.project(np.concatenate([table_mm, np.zeros((len(table_mm), 1))], axis=-1))
    camera_px = np.stack([camera.to_plane(sight + s, 0.0) - camera.to_plane(sight - s, 0.0) for s in steps], axis=-1)
    return to_px @ pupil, to_px @ np.stack(tilted, axis=-1), to_px @ camera_px, sight


def stripes(built, camera, *, slope_mrad=0.0, direction_deg=0.0, lens_px2=(LENS_PX2, LENS_PX2), seed=0):
    """Modulation of stripes by light that is followed from all over the pupil and off all phases of a ripple."""
    u, v = (np.arange(0.5 * CELL_PX, n, CELL_PX) for n in built.projector.resolution)
    pixels = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    table_mm = built.trace(pixels).table_mm
    lit = np.linalg.norm(np.nan_to_num(table_mm, nan=1e9), axis=-1) < 245.0
    pixels, table_mm = pixels[lit], table_mm[lit]
    by_pupil, by_slope, by_camera, sight = seen_aside(built, camera, pixels, table_mm)
    focused = by_pupil - built.projector.focal_px / FOCUS_MM * np.eye(2)
    radius, angle = 2.0 * PUPIL_MM * np.sqrt((np.arange(64) + 0.5) / 64), 2.399963 * np.arange(64)
    pupil = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1)  # Vogel's spiral fills a disc evenly
    unit = np.array([np.cos(np.deg2rad(direction_deg)), np.sin(np.deg2rad(direction_deg))])
    slopes = 1e-3 * np.sqrt(2.0) * slope_mrad * np.sin(2.0 * np.pi * (np.arange(48) + 0.5) / 48)[:, None] * unit
    rng = np.random.default_rng(seed)
    found = []
    for axis in (0, 1):
        turns = 2.0j * np.pi / PERIODS_PX
        beam = np.exp(turns * (pupil @ focused[:, axis].T).T[..., None]).mean(axis=1)
        ripple = np.exp(turns * (slopes @ by_slope[:, axis].T).T[..., None]).mean(axis=1)
        plain = lens_px2[axis] + CAMERA_PX2 * np.sum(by_camera[:, axis] ** 2, axis=-1)
        gaussian = np.exp(-2.0 * np.pi**2 * plain[:, None] / PERIODS_PX**2)
        clean = 0.93 * np.abs(beam * ripple) * gaussian
        found.append(clean * (1.0 + NOISE * rng.normal(size=clean.shape)))
    return Modulation(
        camera_px=sight, pixels_px=pixels, periods_u_px=PERIODS_PX, periods_v_px=PERIODS_PX, u=found[0], v=found[1]
    )


@pytest.mark.parametrize("direction_deg", [0.0, 25.0, 90.0])
def test_a_ripple_is_told_from_what_else_blurs(model, camera, seated, direction_deg):
    """1.5 mrad rms spread light by 1.5 mm rms on the table, 2 px: 4 px^2, sixteen times what a lens is trusted with."""
    built, samples, zone = seated
    shown = stripes(built, camera, slope_mrad=1.5, direction_deg=direction_deg)
    found = fine_ripples(model, [shown], samples, zone, camera)
    assert len(found) == 1
    ripple = found[0]
    off = (ripple.direction_deg - direction_deg + 90.0) % 180.0 - 90.0
    assert abs(off) < 2.5 * ripple.direction_sigma_deg
    assert ripple.direction_sigma_deg < 25.0
    assert ripple.slope_rms_mrad == pytest.approx(1.5, rel=0.15)
    assert ripple.amplitude_um == pytest.approx(np.sqrt(2.0) * ripple.slope_rms_mrad * ASSUMED_PITCH_MM / (2.0 * np.pi))


@pytest.mark.parametrize("seed", range(4))
def test_no_ripple_is_seen_in_an_astigmatic_beam_and_a_usual_lens(model, camera, seated, seed):
    """The lens spreads light by 0.5 px along one direction and not along the other: common, and no ripple."""
    built, samples, zone = seated
    lens = [(LENS_PX2, LENS_PX2), (LENS_PX2 + 0.25, LENS_PX2), (LENS_PX2, LENS_PX2 + 0.25), (0.1, 0.1)][seed]
    shown = stripes(built, camera, lens_px2=lens, seed=seed)
    assert fine_ripples(model, [shown], samples, zone, camera) == ()


def test_halfway_between_the_stripes_it_looks_like_defocus_and_is_not_claimed(model, camera, seated):
    built, samples, zone = seated
    shown = stripes(built, camera, slope_mrad=0.8, direction_deg=45.0)
    assert fine_ripples(model, [shown], samples, zone, camera) == ()


def test_a_ripple_that_shows_as_displacement_is_not_told_twice(model, camera, seated):
    """0.6 um every 2 mm along y have slopes of 1.3 mrad rms: what they blur within the beam is the same ripple."""
    built, samples, zone = seated
    shown = stripes(built, camera, slope_mrad=1.5, direction_deg=90.0)
    alike = Ripple(period_mm=2.0, amplitude_um=0.6, direction_deg=92.0, over_noise=100.0)
    across = Ripple(period_mm=2.0, amplitude_um=0.6, direction_deg=2.0, over_noise=100.0)
    assert fine_ripples(model, [shown], samples, zone, camera, known=alike) == ()
    assert len(fine_ripples(model, [shown], samples, zone, camera, known=across)) == 1


def test_too_little_light_or_one_period_alone_tell_nothing(model, camera, seated):
    built, samples, zone = seated
    shown = stripes(built, camera, slope_mrad=1.5, direction_deg=90.0)
    few = shown.only(np.arange(len(shown.u)) < 40)
    one = Modulation(**{**vars(shown), "u": shown.u[:, :1], "periods_u_px": PERIODS_PX[:1]})
    assert fine_ripples(model, [few], samples, zone, camera) == ()
    assert fine_ripples(model, [one], samples, zone, camera) == ()
    assert fine_ripples(model, [], samples, zone, camera) == ()


def test_the_finding_says_that_it_is_an_estimate_and_what_the_warp_cannot_do():
    ripple = FineRipple(
        zone=0,
        direction_deg=88.0,
        direction_sigma_deg=12.0,
        also_possible_deg=(31.0,),
        slope_rms_mrad=1.5,
        slope_rms_sigma_mrad=0.2,
        spread_mm=1.4,
        spread_px=1.0,
        assumed_pitch_mm=ASSUMED_PITCH_MM,
        amplitude_um=0.0675,
    )
    (finding,) = findings_of(
        zernike=(),
        power_determined=False,
        radius_mm=45.0,
        folds=(),
        panels=(),
        defects=(),
        ripple=None,
        fine_ripples=(ripple,),
        way_mm=400.0,
    )
    assert finding.what.startswith("estimate: ")
    assert "88 deg or 31 deg" in finding.what
    assert "0.07 um if every 0.2 mm" in finding.what
    assert "print layers" in finding.cause
    assert "astigmatic projector lens" in finding.cause
    assert "cannot take it away" in finding.prewarp
    assert (finding.moves_mm, finding.effect) == (1.4, "spreads the light of a pixel to either side by")
