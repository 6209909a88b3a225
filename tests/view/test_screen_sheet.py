"""A printed sheet tells a display's glass: two flat wings in closed form, glass by Snell's law worked out by angles."""

from dataclasses import replace

import numpy as np
import pytest
from two_wings import make_rig, small_wings

from rigwarp.camera import SheetSigma, board_to_table
from rigwarp.camera.boards.board_shape import sheet_sigma_of
from rigwarp.decode import Decoded, Noise, Response
from rigwarp.errors import MeasurementError
from rigwarp.files import open_rig
from rigwarp.jobs.view.trace import parts_of
from rigwarp.view import LEAN_KNOWN, LeanDoubt, Screen, laid_by_sheet, screen_by_sheet, seen_by_screen
from rigwarp.view.printed.found import SheetCorners

TOLD = Screen(pixels=(3000, 1600), pitch_mm=0.4, thickness_mm=7.6)
GLASS_MM, THICKNESS_MM, PITCH = BUILT = (0.55, 7.63, 1.0004)
"""What the display really has, where it is said to have 1 mm of glass."""
EXACT_PRINT = SheetSigma(scale=1e-6, squareness=1e-6, bow_mm=1e-3, height_mm=1e-3)
WINGS = small_wings(1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return open_rig(make_rig(tmp_path_factory.mktemp("sheet") / "rig"), without_projector=True)


@pytest.fixture(scope="module")
def parts(folder):
    return parts_of(folder)


def shown(noise, built=BUILT):
    """Which of its pixels each camera pixel sees: the place, less what the ray still runs sideways above them."""
    glass_mm, thickness_mm, pitch = built
    exact = WINGS.view_map()
    slant = np.linalg.norm(exact.lean, axis=-1)
    inside = np.arcsin(np.sin(np.arctan(slant)) / TOLD.glass_index)
    run_mm = (thickness_mm - glass_mm) * slant + glass_mm * np.tan(inside)
    spot = exact.table_mm - (run_mm / slant)[..., None] * exact.lean
    at = spot / (TOLD.pitch_mm * pitch) * [1.0, -1.0] + (np.array(TOLD.pixels) - 1) / 2
    at += noise.normal(0.0, 0.03, at.shape)
    good = exact.measured & (at >= 0).all(axis=-1) & (at <= np.array(TOLD.pixels) - 1).all(axis=-1)
    levels, each = np.linspace(0.0, 1.0, 3), np.full(good.shape, 0.03, np.float32)
    decoded = Decoded(
        u_px=np.where(good, at[..., 0], np.nan).astype(np.float32),
        v_px=np.where(good, at[..., 1], np.nan).astype(np.float32),
        sigma_u_px=each,
        sigma_v_px=each,
        reason=np.where(good, 0, 1).astype(np.uint8),
        light=np.full(good.shape, 0.4, np.float32),
        chi2=np.ones(good.shape, np.float32),
        response=Response(shape=1.0, shape_sigma=0.1, full_scale=255, level_codes=levels, level_light=levels),
        noise=Noise(floor=1.0, per_light=0.5),
        harmonics={},
        light_sigma_px=0.0,
        bands_sigma_px=0.0,
        curve_sigma_px=0.0,
        motion_sigma_px=0.0,
    )
    return decoded, exact


@pytest.fixture(scope="module")
def target(folder):
    """The sheet, askew across both wings."""
    return replace(folder.rig.view.target, centre_mm=np.array([20.0, -15.0]), rotation_rad=0.2)


def corners_of(target, noise):
    """Corners of the sheet with 0.05 px of noise."""
    board = np.array([[i * 60.0, j * 60.0, 0.0] for i in range(1, 10) for j in range(1, 7)])
    there = board_to_table(board, target, height_mm=target.thickness_mm)
    found = []
    for wing in (0, 1):
        pixels = WINGS.pixel(there, wing)
        seen = WINGS.shows(pixels, wing)
        found.append(
            SheetCorners(
                photo=0,
                part=None,
                zone=wing,
                pixels_px=pixels[seen] + noise.normal(0.0, 0.05, (seen.sum(), 2)),
                board_mm=board[seen],
                square_px=np.full(seen.sum(), 25.0),
                flipped=True,
            )
        )
    return found


def p95_mm(seen, exact):
    off = np.linalg.norm(seen.table_mm - exact.table_mm, axis=-1)
    return np.nanpercentile(off, 95)


def test_one_photograph_of_a_sheet_tells_glass_that_is_not_known(folder, parts, target):
    noise, table = np.random.default_rng(5), folder.rig.table
    decoded, exact = shown(noise)
    looked = seen_by_screen([decoded], TOLD, parts, LEAN_KNOWN, table)
    assert np.nanmax(np.abs(looked.lean - exact.lean)) < 0.005, "mm per mm: by places that the glass has shifted"
    corners = corners_of(target, noise)
    told, _ = screen_by_sheet(TOLD, looked, LEAN_KNOWN, corners, target, sheet_sigma_of(target))
    off = np.array([told.glass_mm - GLASS_MM, told.thickness_mm - THICKNESS_MM, told.pitch_mm / 0.4 - PITCH])
    assert np.all(np.abs(off) < 3.0 * np.sqrt(np.diag(told.covariance))[:3])
    again = seen_by_screen([decoded], told, parts, LEAN_KNOWN, table).seen
    before, after = p95_mm(looked.seen, exact), p95_mm(again, exact)
    assert after < 0.4 * before
    assert np.nanmedian(again.common_mm) < 0.6 * np.nanmedian(looked.seen.common_mm)
    z = (again.table_mm - exact.table_mm) / np.hypot(again.common_mm, again.random_mm)[..., None]
    assert np.sqrt(np.nanmean(z**2)) < 2.0, "one draw of a few numbers"


def test_the_sheet_says_where_the_frame_is(folder, parts, target):
    """The display lay 4 mm and a degree away from where it should: the places are right all the same."""
    noise, table = np.random.default_rng(5), folder.rig.table
    decoded, exact = shown(noise)
    corners = corners_of(target, noise)
    told = replace(TOLD, centre_mm=(4.0, -1.0), rotation_rad=np.radians(1.0))
    roughly = seen_by_screen([decoded], told, parts, LEAN_KNOWN, table)
    told = laid_by_sheet(told, roughly, corners, target)
    assert np.hypot(*told.centre_mm) < 0.3
    looked = seen_by_screen([decoded], told, parts, LEAN_KNOWN, table)
    told, _ = screen_by_sheet(told, looked, LEAN_KNOWN, corners, target, sheet_sigma_of(target))
    centre_sigma = np.sqrt(np.diag(told.covariance))[3:5]
    assert np.all(np.abs(told.centre_mm) < 3.0 * centre_sigma)
    assert np.all(centre_sigma < 0.05)
    seen = seen_by_screen([decoded], told, parts, LEAN_KNOWN, table).seen
    z = (seen.table_mm - exact.table_mm) / np.hypot(seen.common_mm, seen.random_mm)[..., None]
    assert np.sqrt(np.nanmean(z**2)) < 2.0, "one draw of a few numbers"


def test_a_sheet_far_from_where_it_should_lie_is_refused(folder, parts, target):
    noise = np.random.default_rng(5)
    looked = seen_by_screen([shown(noise)[0]], TOLD, parts, LEAN_KNOWN, folder.rig.table)
    elsewhere = replace(target, centre_mm=np.array([20.0, 75.0]))
    with pytest.raises(
        MeasurementError, match=r"the first sheet seems to lie around \(20, -15\) mm.*puts it.*\(20, 75\)"
    ):
        laid_by_sheet(TOLD, looked, corners_of(target, noise), elsewhere)
    few = [replace(one, pixels_px=one.pixels_px[:1], board_mm=one.board_mm[:1]) for one in corners_of(target, noise)]
    with pytest.raises(MeasurementError, match="only 2 corners of the first sheet, which says where the table's frame"):
        laid_by_sheet(TOLD, looked, few, target)


def test_what_a_sheet_tells_of_the_lean_is_told_with_the_glass(folder, parts, target):
    """Drawn from what is stated: errors over sigma are one all together, and sigma less than if these stood apart."""
    noise, table = np.random.default_rng(7), folder.rig.table
    lean_sigma, draws = 0.01, 8
    terms = np.zeros((2, 10, 2, 4))
    for wing, axis in np.ndindex(2, 2):
        terms[wing, 0, axis, 2 * wing + axis] = lean_sigma
    middle, half = np.full((2, 2), 240.0), np.full((2, 2), 240.0)
    doubt = LeanDoubt(first_zones=np.array([0, 1]), middle_px=middle, half_px=half, terms=terms, found=np.zeros(4))
    sigma = [TOLD.glass_sigma_mm, TOLD.thickness_sigma_mm, TOLD.pitch_sigma, *np.ones(4)]
    raw = noise.normal(size=(draws, 7))
    z = []
    for number, draw in enumerate(np.linalg.qr(raw)[0] * np.sqrt(draws) * sigma):
        built = (TOLD.glass_mm + draw[0], TOLD.thickness_mm + draw[1], 1.0 + draw[2])
        decoded, exact = shown(noise, built)
        wrong, corners = replace(doubt, found=-draw[3:]), corners_of(target, noise)
        looked = seen_by_screen([decoded], TOLD, parts, wrong, table)
        told, better = screen_by_sheet(TOLD, looked, wrong, corners, target, EXACT_PRINT)
        seen = seen_by_screen([decoded], told, parts, better, table).seen
        z.append((seen.table_mm - exact.table_mm) / np.hypot(seen.common_mm, seen.random_mm)[..., None])
        if number == 0:
            told, _ = screen_by_sheet(TOLD, looked, LEAN_KNOWN, corners, target, EXACT_PRINT)
            alone = seen_by_screen([decoded], told, parts, LEAN_KNOWN, table).seen
            apart = np.nanmean(alone.common_mm**2) + (lean_sigma * TOLD.thickness_mm) ** 2
            together = np.nanmean(seen.common_mm**2)
    assert 0.8 < np.sqrt(np.nanmean(np.square(z))) < 1.2
    assert together < 0.8 * apart


def test_each_wing_has_its_own_lean_up_to_the_fold(folder, parts):
    """However the design has the fold: by 6 px of the wrong wing's lean places would be 4 mm off."""
    decoded, exact = shown(np.random.default_rng(5))
    camera = parts[0].camera
    turned = replace(camera, placement=camera.placement.moved(np.zeros(3), np.radians([0.0, 0.8, 0.0])))
    moved = tuple(replace(one, camera=turned, model=replace(one.model, projector=one.source(turned))) for one in parts)
    looked = seen_by_screen([decoded], TOLD, moved, LEAN_KNOWN, folder.rig.table)
    assert np.nanmax(np.linalg.norm(looked.seen.table_mm - exact.table_mm, axis=-1)) < 0.8


def test_a_sheet_beside_the_display_tells_nothing(folder, parts, target):
    noise = np.random.default_rng(5)
    decoded, _ = shown(noise)
    looked = seen_by_screen([decoded], TOLD, parts, LEAN_KNOWN, folder.rig.table)
    few = [replace(one, pixels_px=one.pixels_px[:4], board_mm=one.board_mm[:4]) for one in corners_of(target, noise)]
    with pytest.raises(MeasurementError, match="only 8 corners of the sheet lie where the display was seen"):
        screen_by_sheet(TOLD, looked, LEAN_KNOWN, few, target, sheet_sigma_of(target))


def test_the_edge_of_a_display_spoils_no_place_that_it_showed_elsewhere(folder, parts):
    """Blur draws what lies within three camera pixels of its edge inwards, here by two of its pixels."""
    decoded, _ = shown(np.random.default_rng(5))
    moved_px = float(np.nanmedian(decoded.u_px)) + 200.0
    u_px = decoded.u_px - moved_px
    inside, at_edge = decoded.valid & (u_px >= 0.0), u_px < 4.0
    beside = replace(
        decoded,
        u_px=np.where(inside, u_px + 2.0 * at_edge, np.nan).astype(np.float32),
        v_px=np.where(inside, decoded.v_px, np.nan).astype(np.float32),
        reason=np.where(inside, 0, 1).astype(np.uint8),
    )
    alone, both = (
        seen_by_screen(scan, TOLD, parts, LEAN_KNOWN, folder.rig.table).seen.table_mm
        for scan in ([decoded], [decoded, beside])
    )
    assert np.count_nonzero(inside & at_edge) > 200
    off = np.linalg.norm(both - alone, axis=-1)[inside & at_edge]
    assert np.nanmedian(off) < 0.05, "mm; counted in, it is half of 0.8"


def test_what_little_of_the_lens_looks_into_the_next_wing_counts_for_nothing(folder, parts):
    """Two pixels past the fold decode another place of the display by a quarter of their light, over the other wing."""
    decoded, exact = shown(np.random.default_rng(5))
    first = exact.zone == 0
    past = first & ~np.roll(first, 2, axis=1) & decoded.valid
    from_wing = np.roll(decoded.u_px, 2, axis=1), np.roll(decoded.v_px, 2, axis=1)
    there = (decoded.valid & ~first) | past
    beside = replace(
        decoded,
        u_px=np.where(past, from_wing[0], np.where(there, decoded.u_px, np.nan)).astype(np.float32),
        v_px=np.where(past, from_wing[1], np.where(there, decoded.v_px, np.nan)).astype(np.float32),
        reason=np.where(there, 0, 1).astype(np.uint8),
        light=np.where(past, 0.1, 0.4).astype(np.float32),
    )
    seen = seen_by_screen([decoded, beside], TOLD, parts, LEAN_KNOWN, folder.rig.table).seen
    here = past & np.isfinite(from_wing[0])
    assert np.count_nonzero(here) > 100
    assert np.nanmax(np.linalg.norm(seen.table_mm - exact.table_mm, axis=-1)[here]) < 0.8


def test_a_place_that_was_decoded_wrongly_is_refused(folder, parts):
    """Columns stretched by 5 % cannot be laid onto the others by any shift and turn."""
    decoded, _ = shown(np.random.default_rng(5))
    wrong = replace(decoded, u_px=1.05 * decoded.u_px)
    with pytest.raises(MeasurementError, match="place 2 of the display does not fit onto where it lay before"):
        seen_by_screen([decoded, wrong], TOLD, parts, LEAN_KNOWN, folder.rig.table)
