"""A cycle on the virtual bench against its closed-form truth, the sanity laws of comparison, and what is refused."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from samples_bench import MeasuredCycle
from samples_truth import mirror_points, true_slopes

from rigwarp.capture.scans.frames_folder import read_frames
from rigwarp.errors import InputError, MeasurementError
from rigwarp.files import read_photo
from rigwarp.files.records.samples import CycleRecord
from rigwarp.jobs.samples.figure_rows import cycle_rows
from rigwarp.jobs.samples.measure import FRAMES_SHOWN
from rigwarp.rig import decode_transfer
from rigwarp.samples.bench import Sheet
from rigwarp.samples.closed_forms import beams_modulation
from rigwarp.samples.cycle import LEGS, CycleFigures, cycle_figures
from rigwarp.samples.double_image import DoubleImage, as_one_face, hidden, mean_of
from rigwarp.samples.frames import SampleFrame, frame_picture, middle_px
from rigwarp.samples.leg import Leg, Light, read_leg
from rigwarp.samples.pair import compare_pair
from rigwarp.samples.readiness import pupil_by_shadow, readiness_of
from rigwarp.samples.refusals import moved_px, refuse_moved_camera, refuse_no_mirror
from rigwarp.samples.registered import nodes_of
from rigwarp.samples.specks import Speck, Specks, seen_twice
from rigwarp.samples.verdicts import judge_pairs
from rigwarp.simulation.samples import VirtualSampleBench, true_figures
from rigwarp.simulation.samples.bench import Mishap
from rigwarp.simulation.samples.transport import PER_PIXEL, RAYS, Transport, build_transport
from rigwarp.simulation.samples.true_figures import seen_variance, veil_beyond

NAME = "polystyrene-a"


def brighter(leg: Leg, by: float) -> Leg:
    """The leg as if all light had been `by` times as strong."""
    light = {key: np.float32(by) * getattr(leg, key) for key in ("white", "colours")}
    many = {
        key: {k: np.float32(by) * v for k, v in getattr(leg, key).items()} for key in ("dark", "haze", "edges", "lines")
    }
    return replace(leg, **light, **many)


def test_reflectance(cycle: MeasuredCycle) -> None:
    piece, glass = (true_figures(cycle.truth, name)["reflectance"] for name in (NAME, "glass"))
    assert cycle.said["reflectance"] == pytest.approx(np.array(piece) / np.array(glass), rel=0.005)


def test_blur(cycle: MeasuredCycle) -> None:
    """Against rays from all over the pupil, over the very part of the piece that is seen (brute force)."""
    points = mirror_points(cycle.truth, nodes_of(cycle.folder.bench, cycle.legs["R1"]))[::4, ::4]
    piece, glass = (seen_variance(cycle.truth, cycle.truth.pieces[name], points) for name in (NAME, "glass"))
    assert cycle.said["blur_mrad"] == pytest.approx(np.sqrt(piece - glass) / 0.65, rel=0.05)


def test_blur_of_a_sheet_without_waves(cycle: MeasuredCycle) -> None:
    """The bench's stripes by way of a flat piece keep what its normal spread leaves (closed form): the bench itself."""
    piece = cycle.truth.pieces[NAME]
    flat = replace(piece, name="flat", waves=(), specks=np.zeros((0, 3)), thickness_mm=0.0)
    sharp = replace(flat, name="sharp", core_rad=np.zeros(2), tail_share=0.0)
    pieces = {**cycle.truth.pieces, "flat": flat, "sharp": sharp}
    quiet = {"tilt_mrad": 0.0, "piston_mm": 0.0, "read_noise_e": 0.0, "full_well_e": 1e9}
    virtual = VirtualSampleBench(replace(cycle.truth, pieces=pieces, **quiet, opening_mm=(22.0, 22.0)))
    light = decode_transfer(np.arange(256) / 255.0, "srgb")
    found = []
    for name in ("flat", "sharp"):
        virtual.seat(name)
        for axis in ("x", "y"):
            photos = []
            for step in range(4):
                virtual.show(
                    frame_picture(cycle.folder.bench, SampleFrame(kind="stripes", axis=axis, size=4, step=step))
                )
                photos.append(light[virtual.grab()][107:157, 107:157])
            wave = (photos[0] - photos[2]) + 1j * (photos[1] - photos[3])
            found.append(np.mean(np.abs(wave) / np.mean(photos, axis=0)))
    ratio = np.array(found[:2]) / np.array(found[2:])
    per_mm = 1.0 / (4 * cycle.truth.pixel_mm)
    kept = np.exp(-2.0 * np.pi**2 * per_mm**2 * (piece.core_rad * 650.0) ** 2) * (1.0 - piece.tail_share)
    assert ratio == pytest.approx(kept, abs=0.003)


def finest_loss(transport: Transport) -> list[float]:
    """Mean ln(contrast) that the main beam leaves of stripes of four pixels along x and along y."""
    matrix, found = transport.matrices["main"].T, []
    for along in np.indices(transport.shape).reshape(2, -1)[::-1]:
        kept = matrix @ np.exp(2j * np.pi * along / (4 * PER_PIXEL))
        found.append(float(np.mean(np.log(np.abs(kept) / (matrix @ np.ones(along.size))))))
    return found


@pytest.mark.parametrize("thickness_mm", [0.0, 0.2, 0.4, 0.6])
def test_a_beam_spreads_alike_wherever_it_lands(cycle: MeasuredCycle, thickness_mm: float) -> None:
    """Stripes of four pixels by way of plain mirrors whose sheets move the picture by quarters of a screen point.

    They keep what a pixel and three screen points (closed form) leave: 0.2 % of it is 5 % of 0.15 mrad of blur.
    """
    truth = replace(cycle.truth, opening_mm=(8.0, 8.0))
    piece = replace(truth.pieces[NAME], waves=(), bow_radius_mm=None, specks=np.zeros((0, 3)))
    spread = build_transport(truth, replace(piece, thickness_mm=thickness_mm), np.zeros(2))
    true = np.log(np.sinc(1.0 / 4.0) * np.sinc(1.0 / (4 * PER_PIXEL)) ** 3)
    assert finest_loss(spread) == pytest.approx([true, true], abs=1e-3)


def test_few_rays_spread_light_as_many_do(cycle: MeasuredCycle, monkeypatch: pytest.MonkeyPatch) -> None:
    """By way of waves as high as any piece's: in their own order 64 rays kept a tenth too much of the contrast."""
    truth = replace(cycle.truth, opening_mm=(10.0, 10.0))
    piece = replace(truth.pieces["formed-cap"], specks=np.zeros((0, 3)))
    few = finest_loss(build_transport(truth, piece, np.zeros(2)))
    monkeypatch.setitem(RAYS, "main", 400)
    assert few == pytest.approx(finest_loss(build_transport(truth, piece, np.zeros(2))), abs=0.02)


def test_a_sheet_makes_the_picture_larger(cycle: MeasuredCycle) -> None:
    """By exact rays through 3 mm of glass: what a pixel's light lands further out by, over where it would land."""
    truth, bench = replace(cycle.truth, opening_mm=(8.0, 8.0)), cycle.folder.bench
    piece = replace(truth.pieces["glass"], waves=(), bow_radius_mm=None, specks=np.zeros((0, 3)))
    transport = build_transport(truth, piece, np.zeros(2))
    places = np.indices(transport.shape).reshape(2, -1)[::-1] / PER_PIXEL
    light = transport.matrices["main"].T @ np.ones(places.shape[1])
    for pixels, along, share in zip(transport.pixels, places, bench.stretch(bench.reference), strict=True):
        scale, _ = np.polyfit(pixels, transport.matrices["main"].T @ along / light, 1)
        assert scale - 1.0 == pytest.approx(share, rel=0.02)
    assert not bench.stretch(replace(bench.reference, thickness_mm=0.0)).any()


def test_companions_lie_across_the_plane_too(cycle: MeasuredCycle) -> None:
    """By exact rays: level stripes of four pixels by way of glass of 3 mm lose up to 0.5 % far from the middle row."""
    truth, bench = replace(cycle.truth, opening_mm=(6.0, 30.0)), cycle.folder.bench
    piece = replace(truth.pieces["glass"], waves=(), bow_radius_mm=None, specks=np.zeros((0, 3)))
    transport = build_transport(truth, piece, np.zeros(2))
    along = np.indices(transport.shape)[0].ravel() / (4 * PER_PIXEL)
    found = {beam: matrix.T @ np.exp(2j * np.pi * along) for beam, matrix in transport.matrices.items()}
    total = sum(transport.weights[beam][1] * one for beam, one in found.items())
    whole = np.abs(found["main"]) * sum(weight[1] for weight in transport.weights.values())
    off_mm = (transport.pixels[1] - middle_px(bench)[1]) * bench.pixel_mm
    places, strengths = bench.beams(bench.reference, transport.pixels[0].astype(float), 0.9)
    across = off_mm / ((bench.near_mm + bench.far_mm) * np.tan(bench.angle_rad))
    kept = beams_modulation(across[:, None] * places, strengths, 1.0 / (4 * bench.pixel_mm))
    inside = (np.abs(off_mm) < 40.0) & (np.abs(transport.pixels[0] - middle_px(bench)[0]) < 6.0)
    assert np.ptp(kept[inside]) > 0.004
    assert np.abs(total / whole)[inside] == pytest.approx(kept[inside], abs=5e-4)


def test_veil(cycle: MeasuredCycle) -> None:
    pieces = [cycle.truth.pieces[name] for name in (NAME, "glass")]
    for mrad, found in zip(cycle.said["veil_beyond_mrad"][1:], cycle.said["veil"][1:], strict=True):
        true = [veil_beyond(cycle.truth, piece, mrad / 1000.0) for piece in pieces]
        assert found == pytest.approx(true[0] - true[1], abs=0.002)
    assert cycle.said["veil"][0] is None  # the blur itself reaches beyond 2 mrad: how far, waves leave in doubt
    assert cycle.said["veil_sigma"][0] > 0.001
    assert ("veil beyond 2 mrad", "not told: blur reaches as far") in [
        row[:2] for row in cycle_rows(CycleRecord.read(cycle.run / "cycle.json"))
    ]


def test_slopes_are_those_of_the_waves(cycle: MeasuredCycle, figures: CycleFigures) -> None:
    """The map, place by place, against the sheet's own slopes as the beam's width leaves them (closed form)."""
    points = mirror_points(cycle.truth, nodes_of(cycle.folder.bench, cycle.legs["R1"]))
    true = true_slopes(cycle.truth, NAME, "glass", points)
    found = figures.slopes.reshape(-1, 2)
    assert np.corrcoef(found[:, 0], true.reshape(-1, 2)[:, 0])[0, 1] > 0.99
    # waves of 1.2 mrad crowd the light twofold here and there
    assert np.corrcoef(found[:, 1], true.reshape(-1, 2)[:, 1])[0, 1] > 0.99
    assert np.std(found, axis=0) == pytest.approx(np.std(true, axis=(0, 1)), rel=0.10)
    # waves run along the extrusion: their crests lie in the plane of incidence
    assert min(figures.direction.crests_deg, 180.0 - figures.direction.crests_deg) < 10.0
    assert figures.direction.coherence > 0.8


def test_double_image_of_the_reference(cycle: MeasuredCycle) -> None:
    truth = true_figures(cycle.truth, "glass")
    found = compare_pair(cycle.folder.bench, cycle.folder.bench.reference, cycle.legs["R2"], cycle.legs["R1"]).double
    assert found.seen
    assert found.distance_mm == pytest.approx(truth["ghost_mm"], abs=0.05)
    beams = truth["beams"]
    assert [found.front, found.third] == pytest.approx(
        [beams["front"] / beams["main"], beams["third"] / beams["main"]], abs=0.004
    )


def test_no_double_image_is_invented(cycle: MeasuredCycle, figures: CycleFigures) -> None:
    """1 mm of polystyrene parts the beams by less than a pixel, and its waves spread lines unlike: nothing is seen."""
    bench = cycle.folder.bench
    assert true_figures(cycle.truth, NAME)["ghost_mm"] < bench.pixel_mm
    assert [pair.double.seen for pair in figures.pairs] == [False, False]
    assert cycle.said["double_front"] == 0.0


def test_both_companions_come_from_one_face() -> None:
    """Glass of index 1.52 with metal of 0.90 (handbook sums: front 5.16 %, third 3.83 % of the main image)."""
    seen = DoubleImage(
        distance_mm=1.3, distance_sigma_mm=0.02, front=0.0516 + 0.004, third=0.0383 - 0.004, front_sigma=0.002,
        third_sigma=0.002, seen=True, nearest_mm=0.65,
    )  # fmt: skip
    one = as_one_face(seen, 0.90044, 0.03)
    assert [one.front, one.third] == pytest.approx([0.0516, 0.0383], abs=0.001)
    known = as_one_face(replace(seen, front=0.0546, third=0.0443), 0.90044, 0.03, 0.04258, 0.004)
    assert [known.front, known.third] == pytest.approx([0.0516, 0.0383], abs=0.003)
    # a face that is known makes the front's share r / m and the third's r m: in doubt by as much as the whole is
    sure = as_one_face(seen, 0.90044, 0.027, 0.04258, 1e-6)
    assert [sure.front_sigma, sure.third_sigma] == pytest.approx([0.03 * 0.0516, 0.03 * 0.0383], rel=0.02)
    one_way = as_one_face(replace(seen, third=0.0), 0.90044, 0.03, 0.04258, 0.004)  # no face sends light one way only
    assert not one_way.seen
    assert mean_of(seen, replace(seen, front=0.05)).front == pytest.approx(0.0528)
    assert not mean_of(seen, hidden(seen)).seen


def test_a_speck_counts_when_it_is_seen_twice() -> None:
    there, beside = (Speck(x_mm=x, y_mm=0.0, area_mm2=0.3, area_sigma_mm2=0.01) for x in (1.0, 9.0))
    again = replace(there, x_mm=1.4, area_mm2=0.5)
    found = seen_twice(
        Specks(dark=(there, beside), least_mm=0.2, everywhere_mm=0.4),
        Specks(dark=(again,), least_mm=0.3, everywhere_mm=0.3),
        1.6,
    )
    assert [(one.x_mm, one.area_mm2) for one in found.dark] == [(1.0, pytest.approx(0.4))]
    assert (found.least_mm, found.everywhere_mm) == (0.3, 0.4)


def test_reference_against_itself(cycle: MeasuredCycle) -> None:
    found = compare_pair(cycle.folder.bench, cycle.folder.bench.reference, cycle.legs["R1"], cycle.legs["R1"])
    assert found.log_ratio == pytest.approx(np.zeros(3), abs=1e-12)
    assert [blur.added.variance_mm2 for blur in found.blur] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert found.veil == pytest.approx(np.zeros(5), abs=1e-12)
    assert found.specks.dark == ()
    assert np.abs(found.landing).max() < 1e-9
    assert judge_pairs(["r", "r2"], np.zeros((2, 3)), 0.02)[0].answer == "the same within"


def test_exchange_inverts_every_ratio(cycle: MeasuredCycle) -> None:
    bench, sheet = cycle.folder.bench, Sheet(name="x", thickness_mm=0.0)
    bench = replace(bench, reference=sheet)
    there = compare_pair(bench, sheet, cycle.legs["S1"], cycle.legs["R1"])
    back = compare_pair(bench, sheet, cycle.legs["R1"], cycle.legs["S1"])
    assert there.log_ratio == pytest.approx(-back.log_ratio, abs=0.002)  # the rectangles differ by a pixel or so
    assert there.veil == pytest.approx(-back.veil, abs=1e-12)


def test_twice_the_exposure_changes_nothing(cycle: MeasuredCycle, figures: CycleFigures) -> None:
    bench, sheet = cycle.folder.bench, cycle.folder.bench.sheet(NAME)
    once = figures.pairs[0]
    twice = compare_pair(bench, sheet, brighter(cycle.legs["S1"], 2.0), brighter(cycle.legs["R1"], 2.0))
    assert twice.log_ratio == pytest.approx(once.log_ratio, abs=1e-6)
    assert twice.veil == pytest.approx(once.veil, abs=1e-6)


def test_a_steady_drift_cancels_exactly(cycle: MeasuredCycle, figures: CycleFigures) -> None:
    """2 % a minute, a minute between mirrors: reference, sample, sample, reference have it in the same mean."""
    bench, sheet = cycle.folder.bench, cycle.folder.bench.sheet(NAME)
    drifting = {leg: brighter(one, 1.02**i) for i, (leg, one) in enumerate(cycle.legs.items())}
    found = cycle_figures(bench, sheet, drifting)
    assert found.reflectance == pytest.approx(figures.reflectance, rel=1e-6)
    assert not found.closure.good
    assert np.all(found.reflectance_sigma > 0.015)  # 6 % between the references: a sixth of it and more is doubtful


def test_film_and_back_are_no_mirrors(cycle: MeasuredCycle) -> None:
    bench, sheet = cycle.folder.bench, cycle.folder.bench.sheet(NAME)
    dull = {**cycle.legs, "S1": brighter(cycle.legs["S1"], 0.05)}
    with pytest.raises(MeasurementError, match="upside down"):
        cycle_figures(bench, sheet, dull)
    foggy = cycle.legs["S1"]
    dark = {size: light + np.float32(0.4) * foggy.white for size, light in foggy.dark.items()}
    with pytest.raises(MeasurementError, match="protective film"):
        cycle_figures(bench, sheet, {**cycle.legs, "S1": replace(foggy, dark=dark)})


def test_mishaps_of_the_virtual_bench(cycle: MeasuredCycle) -> None:
    """Stripes of 16 pixels by way of a film and of a mirror's back; a camera that was bumped meanwhile."""
    bench, sheet, legs = cycle.folder.bench, cycle.folder.bench.sheet(NAME), cycle.legs
    thin = {NAME: replace(cycle.truth.pieces[NAME], thickness_mm=0.0)}
    virtual = VirtualSampleBench(replace(cycle.truth, pieces=thin))
    frames = [SampleFrame(kind="stripes", axis=axis, size=16, step=step) for axis in ("x", "y") for step in range(4)]
    light = decode_transfer(np.arange(256) / 255.0, "srgb")

    def photograph(frame: SampleFrame) -> Light:
        virtual.show(frame_picture(bench, frame))
        return np.float32(light[virtual.grab()])

    mishaps: tuple[tuple[Mishap, ...], ...] = (("upside down",), ("film on", "camera bumped"))
    for some in mishaps:
        virtual.seat(NAME, mishaps=some)
        white, photos = photograph(FRAMES_SHOWN[0]), [photograph(frame) for frame in frames]
        lit = white > 0.7 * np.quantile(white, 0.98)
        contrast = dict(legs["S1"].contrast)
        for k, axis in enumerate(("x", "y")):
            four = photos[4 * k : 4 * k + 4]
            wave = np.hypot(four[0] - four[2], four[1] - four[3]) / (2.0 * np.maximum(np.mean(four, axis=0), 1e-6))
            contrast[axis, 16] = np.float32(wave)
        spoilt = replace(legs["S1"], white=white, lit=lit, contrast=contrast)
        if "camera bumped" in some:
            assert np.abs(moved_px(legs["R1"], spoilt)) == pytest.approx([6.0, 3.0], abs=0.3)
        with pytest.raises(MeasurementError, match="upside down, or is its protective film"):
            refuse_no_mirror(sheet, spoilt, legs["R1"], "S1")


def test_another_exposure_is_named(cycle: MeasuredCycle) -> None:
    bench, sheet, legs = cycle.folder.bench, cycle.folder.bench.sheet(NAME), cycle.legs
    with pytest.raises(MeasurementError, match=r"more than any mirror.*exposure"):
        cycle_figures(bench, sheet, {**legs, "S1": brighter(legs["S1"], 1.5)})
    with pytest.raises(MeasurementError, match=r"laid in again it reflects 10 % more than before"):
        cycle_figures(bench, sheet, {**legs, "S2": brighter(legs["S2"], 1.1)})


def test_a_camera_bumped_within_a_leg(cycle: MeasuredCycle) -> None:
    """Its last white lies two pixels beside the first: told before anything is worked out."""
    photos = [read_photo(path) for path in read_frames(cycle.run / "R1" / "frames", len(FRAMES_SHOWN))]
    bumped = [*photos[:-1], np.roll(photos[-1], (1, 2), axis=(0, 1))]
    with pytest.raises(MeasurementError, match=r"R1.: between its first photograph and its last .* was bumped"):
        read_leg(cycle.folder.bench, FRAMES_SHOWN, bumped, name="glass (R1)")


def shifted(leg: Leg, by_px: tuple[int, int]) -> Leg:
    """The leg as a camera sees it that was turned: x and y."""
    x, y = by_px
    white, lit, position = (np.roll(one, (y, x), axis=(0, 1)) for one in (leg.white, leg.lit, leg.position))
    affine = leg.affine.copy()
    affine[:, 2] -= affine[:, :2] @ by_px
    return replace(leg, white=white, lit=lit, position=position, affine=affine)


@pytest.mark.parametrize("first", ["S1", "S2", "R2"])
def test_a_camera_bumped_between_two_mirrors(cycle: MeasuredCycle, first: str) -> None:
    """From one leg on everything lies elsewhere, beside grain of the sensor's own, which stays."""
    random, at = np.random.default_rng(9), list(LEGS).index(first)
    sensor = np.float32(1.0 + 0.01 * random.standard_normal(cycle.legs["R1"].white.shape))
    legs = {leg: shifted(one, (6, 3)) if i >= at else one for i, (leg, one) in enumerate(cycle.legs.items())}
    message = rf"between {LEGS[at - 1]} and {first} .* moved by 6\.. camera pixels"
    with pytest.raises(MeasurementError, match=message):
        cycle_figures(cycle.folder.bench, cycle.folder.bench.sheet(NAME), legs)
    with pytest.raises(MeasurementError, match=message):
        refuse_moved_camera({leg: replace(one, white=sensor * one.white) for leg, one in legs.items()})


def test_a_picture_that_moves_is_no_bump(cycle: MeasuredCycle) -> None:
    """A mirror lies in its seat a little askew each time, and the projector's own grain moves with its picture."""
    assert np.hypot(*moved_px(cycle.legs["R1"], cycle.legs["S1"])) < 0.3
    dust = np.float32(1.0 + 0.01 * np.random.default_rng(10).standard_normal((720, 1280)))

    def dusty(leg: Leg) -> Leg:
        u, v = np.nan_to_num(leg.position).astype(np.float32).transpose(2, 0, 1)
        return replace(leg, white=leg.white * cv2.remap(dust, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    refuse_moved_camera({name: dusty(leg) for name, leg in cycle.legs.items()})


def test_a_moved_bench_is_refused(cycle: MeasuredCycle) -> None:
    bench, sheet = cycle.folder.bench, cycle.folder.bench.sheet(NAME)
    r2 = cycle.legs["R2"]
    away = np.array([45.0, 0.0])  # projector pixels: 29 mm
    moved = replace(r2, position=r2.position + away, affine=r2.affine + np.array([[0, 0, 45.0], [0, 0, 0]]))
    with pytest.raises(MeasurementError, match="was moved"):
        cycle_figures(bench, sheet, {**cycle.legs, "R2": moved})


def test_a_seat_that_moved_for_one_mirror_alone(cycle: MeasuredCycle) -> None:
    """Half the sample's picture lies beside the photograph: no figure is made of the other half."""
    leg = cycle.legs["S2"]
    half = np.arange(leg.lit.shape[1]) < leg.lit.shape[1] / 2
    cut = replace(leg, lit=leg.lit & half, position=np.where((leg.lit & half)[..., None], leg.position, np.nan))
    with pytest.raises(MeasurementError, match=r"\(S2\): found 4. % of the picture .* Did the seat move"):
        cycle_figures(cycle.folder.bench, cycle.folder.bench.sheet(NAME), {**cycle.legs, "S2": cut})


def test_what_a_leg_refuses(cycle: MeasuredCycle) -> None:
    bench = cycle.folder.bench
    shape = bench.camera_resolution[::-1]
    dark = [np.full(shape, 3, np.uint8)] * len(FRAMES_SHOWN)
    with pytest.raises(MeasurementError, match="no light on the screen"):
        read_leg(bench, FRAMES_SHOWN, dark, name="glass (R1)")
    white = np.full(shape, 3, np.uint8)
    white[50:200, 50:200] = 255
    with pytest.raises(MeasurementError, match="overexposed"):
        read_leg(bench, FRAMES_SHOWN, [white, *dark[1:]], name="glass (R1)")
    with pytest.raises(InputError, match="85 photographs, expected 86"):
        read_leg(bench, FRAMES_SHOWN, dark[1:], name="glass (R1)")
    with pytest.raises(InputError, match="expected 264 x 264"):
        read_leg(bench, FRAMES_SHOWN, [np.zeros((10, 12), np.uint8)] * len(FRAMES_SHOWN), name="glass (R1)")


def test_the_pupil_is_found_by_the_seats_shadow(cycle: MeasuredCycle) -> None:
    found, sigma = pupil_by_shadow(cycle.folder.bench, cycle.legs["R1"])
    assert found == pytest.approx(5.0, abs=0.35)
    assert sigma < 0.3
    points = readiness_of(cycle.folder.bench, cycle.legs["R1"])
    assert all(point.good for point in points), points


def test_a_wrong_throw_ratio_is_told_by_the_seats_picture(cycle: MeasuredCycle) -> None:
    """5 % off, as data sheets are: named with the right one, to 1 %."""
    wrong = replace(cycle.folder.bench, throw_ratio=1.05 * cycle.folder.bench.throw_ratio)
    (point,) = (one for one in readiness_of(wrong, cycle.legs["R1"]) if one.what == "size of the seat's picture")
    assert not point.good
    told = re.search(r"throw_ratio = ([\d.]+) into", point.advice)
    assert told is not None
    assert float(told[1]) == pytest.approx(cycle.folder.bench.throw_ratio, rel=0.01)
