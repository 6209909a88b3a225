"""Photographs that are not what their numbers say are named; right ones pass, however poor they are."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from synthetic_scan import Scene, photograph, smooth_scene

from rigwarp.decode import Decoder, WrongPhotographs, decode, find_order
from rigwarp.errors import MeasurementError
from rigwarp.patterns import PatternSet, fast_set, make_set

SHAPE, RESOLUTION = (240, 320), (854, 480)
PATTERNS = fast_set(RESOLUTION, 2.2)
U, V, BRIGHTNESS, AMBIENT = smooth_scene(SHAPE, RESOLUTION)
STILL = Scene(u_px=U, v_px=V, brightness=BRIGHTNESS, ambient=AMBIENT)
PHOTOS = photograph(STILL, PATTERNS, rng=np.random.default_rng(1))

Photos = list[np.ndarray]


def exchanged(*pairs: tuple[int, int]) -> Photos:
    photos = list(PHOTOS)
    for i, j in pairs:
        photos[i], photos[j] = photos[j], photos[i]
    return photos


def early(number: int) -> Photos:
    return [*PHOTOS[:number], PHOTOS[number - 1], *PHOTOS[number + 1 :]]


def changed(number: int, how: Callable[[np.ndarray], np.ndarray]) -> Photos:
    return [how(photo) if n == number else photo for n, photo in enumerate(PHOTOS)]


@pytest.mark.parametrize("pair", [(16, 20), (3, 4), (7, 20), (31, 32), (13, 14), (16, 17), (20, 21), (21, 22)])
def test_exchanged_photographs_are_named_and_can_be_put_right(pair: tuple[int, int]) -> None:
    i, j = pair
    with pytest.raises(
        WrongPhotographs, match=rf"photographs {i + 1} \(.*\) and {j + 1} \(.*\) are exchanged"
    ) as found:
        decode(exchanged(pair), PATTERNS)
    assert found.value.exit_code == 5
    mended = found.value.order.mended
    assert mended is not None
    shuffled = exchanged(pair)
    assert all(shuffled[n] is photo for n, photo in zip(mended, PHOTOS, strict=True))


@pytest.mark.parametrize("number", [4, 9, 16, 24])
def test_one_lost_from_a_pile_that_was_shared_out_by_numbers_is_named(number: int) -> None:
    """The last one is the next zone's first, which leaves this zone dark."""
    pile = [*PHOTOS[:number], *PHOTOS[number + 1 :], PHOTOS[0]]
    order = find_order(pile, PATTERNS)
    assert order.certain
    assert order.shows == tuple(n for n in range(len(PHOTOS)) if n != number)
    told = str(WrongPhotographs(order, [f"No. {n}" for n in range(len(pile))]))
    assert f"the photograph of pattern {number:04d}" in told
    assert "No. 33, is not of this scan" in told


@pytest.mark.parametrize("number", [8, 14, 25])
def test_one_taken_twice_in_a_pile_that_was_shared_out_by_numbers_is_named(number: int) -> None:
    pile = [*PHOTOS[: number + 1], *PHOTOS[number:-1]]
    with pytest.raises(WrongPhotographs, match=rf"photographs {number + 1} .* and {number + 2} .* taken twice"):
        decode(pile, PATTERNS)


@pytest.mark.parametrize("number", [3, 5, 7])
def test_a_dark_photograph_in_a_grey_s_place_is_named_and_no_other_grey(number: int) -> None:
    order = find_order([PHOTOS[0] if n == number else photo for n, photo in enumerate(PHOTOS)], PATTERNS)
    assert order.certain
    assert {own: shown for own, shown in enumerate(order.shows) if shown != own} == {number: 0}


def test_a_photograph_of_no_pattern_is_named_beside_what_is_refused() -> None:
    mixed = changed(12, np.random.default_rng(5).permuted)
    with pytest.raises(MeasurementError, match=r"can be mapped .* 13 \(0012\) does not look like its own pattern"):
        decode(mixed, PATTERNS)


def test_three_photographs_in_a_ring_are_put_right() -> None:
    photos = exchanged((10, 12), (12, 25))
    order = find_order(photos, PATTERNS)
    assert order.mended is not None
    assert all(photos[n] is photo for n, photo in zip(order.mended, PHOTOS, strict=True))


@pytest.mark.parametrize("number", [4, 16, 33])
def test_a_photograph_taken_too_early_is_named_and_cannot_be_put_right(number: int) -> None:
    with pytest.raises(WrongPhotographs, match=rf"photograph {number + 1} .* shows the picture before it") as found:
        decode(early(number), PATTERNS)
    assert found.value.order.mended is None


def test_a_picture_of_all_zones_that_looks_like_some_grey_is_not_blamed() -> None:
    """It holds other zones' light, and an exposure that follows the picture changes it: a fifth of it is left here."""
    patterns = PATTERNS.with_plaid()
    assert patterns.plaid is not None
    photos = photograph(STILL, patterns, rng=np.random.default_rng(1))
    grey, plaid = (photos[n].astype(float) for n in (patterns.plaid - 2, patterns.plaid))
    found = [*photos[: patterns.plaid], (0.8 * grey + 0.2 * plaid).astype(np.uint8), *photos[patterns.plaid + 1 :]]
    assert find_order(found, patterns).right
    found[patterns.plaid] = photos[patterns.plaid + 5]
    assert find_order(found, patterns).shows[patterns.plaid] == patterns.plaid + 5


def exposed(photo: np.ndarray, mean: float = 0.18) -> np.ndarray:
    """As a camera shows it whose exposure makes the picture's mean light always the same."""
    light = (photo / 255.0) ** 2.2
    return np.round(255.0 * np.clip(light * (mean / light.mean()), 0.0, 1.0) ** (1.0 / 2.2)).astype(np.uint8)


def test_of_greys_whose_exposure_follows_the_light_none_is_blamed() -> None:
    """All are as bright then: their order by light is that of noise."""
    patterns = PATTERNS.with_plaid()
    assert patterns.plaid is not None
    photos = photograph(STILL, patterns, rng=np.random.default_rng(1))
    assert find_order([exposed(photo) for photo in photos], patterns).right
    for grey in (1, 3, 5, 7):
        for share in (0.1, 0.2, 0.4, 0.6):
            mixed = (1.0 - share) * photos[grey] + share * photos[patterns.plaid]
            found = [exposed(photo) for photo in photos]
            found[patterns.plaid] = exposed(mixed.astype(np.uint8))
            assert find_order(found, patterns).right


@pytest.mark.parametrize("name", ["fast", "short", "gray"])
def test_a_picture_of_all_zones_is_no_grey_unless_it_is_like_that_grey_s_photograph(name: str) -> None:
    patterns = make_set(name, RESOLUTION, 2.2).with_plaid()
    plaid = patterns.plaid
    assert plaid is not None
    photos = photograph(STILL, patterns, rng=np.random.default_rng(1))
    again = photograph(STILL, patterns, rng=np.random.default_rng(2))
    for grey in range(plaid):
        mixed = (0.6 * photos[grey] + 0.4 * photos[plaid]).astype(np.uint8)
        assert find_order([*photos[:plaid], mixed, *photos[plaid + 1 :]], patterns).right
    early = find_order([*photos[:plaid], again[plaid - 1], *photos[plaid + 1 :]], patterns)
    assert early.shows[plaid] == plaid - 1


def test_a_file_copied_twice_is_named_however_alike_two_dark_greys_are() -> None:
    """Levels 48 and 88 differ by less than a tenth of white; the very same noise is in one photograph alone."""
    with pytest.raises(WrongPhotographs, match=r"photograph 3 .* shows the picture before it"):
        decode(early(2), PATTERNS)


@pytest.mark.parametrize(
    ("way", "words"),
    [
        (lambda p: p[::-1, ::-1], "upside down"),
        (lambda p: p[:, ::-1], "mirrored left to right"),
        (lambda p: p[::-1], "mirrored top to bottom"),
    ],
)
def test_one_turned_or_mirrored_photograph_is_named(way: Callable[[np.ndarray], np.ndarray], words: str) -> None:
    with pytest.raises(WrongPhotographs, match=f"photograph 13 .* is {words}"):
        decode(changed(12, way), PATTERNS)


@pytest.mark.parametrize("number", [3, 16])
def test_a_missing_photograph_is_named(number: int) -> None:
    decoder = Decoder(PATTERNS)
    for photo in [*PHOTOS[:number], *PHOTOS[number + 1 :]]:
        decoder.add(photo)
    with pytest.raises(WrongPhotographs, match=f"pattern {number:04d} is missing"):
        decoder.finish()


@pytest.mark.parametrize("number", [16, 33])
def test_a_photograph_taken_twice_is_named(number: int) -> None:
    photos = [*PHOTOS[: number + 1], *PHOTOS[number:]]
    decoder = Decoder(PATTERNS)
    for photo in photos[:-1]:
        decoder.add(photo)
    with pytest.raises(WrongPhotographs, match=rf"photographs {number + 1} \(.*and {number + 2} .*taken twice"):
        decoder.add(photos[-1])
    mended = find_order(photos, PATTERNS).mended
    assert mended is not None
    assert len(mended) == len(PHOTOS)


@pytest.mark.parametrize("number", [5, 16, 25])
def test_a_photograph_taken_twice_is_named_in_sunshine(number: int) -> None:
    """Which makes single photographs of stripes look like none."""
    sunny = photograph(replace(STILL, ambient=AMBIENT + 0.25), PATTERNS, rng=np.random.default_rng(3))
    photos = [sun if 18 <= n < 24 else photo for n, (sun, photo) in enumerate(zip(sunny, PHOTOS, strict=True))]
    order = find_order([*photos[: number + 1], *photos[number:]], PATTERNS)
    assert order.certain
    assert order.mended is not None
    assert order.shows[number : number + 2] == (number, number)


def poor_scenes() -> list[tuple[str, Scene, dict[str, object]]]:
    column = np.broadcast_to(np.linspace(0, 1, SHAPE[1]), SHAPE)
    second = {"second_u_px": (U + 137.0) % RESOLUTION[0], "second_v_px": (V + 91.0) % RESOLUTION[1]}
    return [
        ("noisy", STILL, {"noise": (1e-4, 1e-3)}),
        ("blurred", replace(STILL, blur_px=5.0), {}),
        ("hazy", replace(STILL, scattered=0.8, brightness=0.4 * BRIGHTNESS), {}),
        ("uneven and dark", replace(STILL, brightness=0.8 * 0.05**column), {}),
        ("linear camera", STILL, {"response": 1.0}),
        (
            "a second path of half the light",
            replace(STILL, brightness=0.6 * BRIGHTNESS, second_share=0.5, **second),
            {},
        ),
        ("overexposed", replace(STILL, brightness=1.6 * BRIGHTNESS), {}),
        ("daylight", replace(STILL, ambient=AMBIENT + 0.4, brightness=0.5 * BRIGHTNESS), {}),
    ]


@pytest.mark.parametrize("name", ["fast", "fine", "gray"])
def test_poor_photographs_in_the_right_order_pass(name: str) -> None:
    patterns: PatternSet = make_set(name, RESOLUTION, 2.2)
    for what, scene, changes in poor_scenes():
        photos = photograph(scene, patterns, rng=np.random.default_rng(5), **changes)
        order = find_order(photos, patterns)
        assert order.right or not order.certain, f"{name}, {what}: {order}"


def test_a_projector_of_another_curve_passes() -> None:
    """Patterns for a gamma of 2.2 on one of 1.6 or 2.8: uniform frames of quite another brightness."""
    for shown in (1.6, 2.8):
        photos = photograph(STILL, replace(PATTERNS, transfer=shown), rng=np.random.default_rng(6))
        assert find_order(photos, PATTERNS).right


def dark(shape: tuple[int, int], seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(6.0, 1.2, shape)
    return np.clip(np.round(noise), 0, 255).astype(np.uint8)


def test_a_picture_that_is_small_in_the_photographs_is_judged_by_itself() -> None:
    """A fortieth of them: the rest is noise, which looks like any pattern."""
    photos = []
    for number, photo in enumerate(PHOTOS):
        photos.append(dark((1200, 2560), number))
        photos[-1][400:640, 900:1220] = photo
    assert find_order(photos, PATTERNS).right
    photos[7], photos[20] = photos[20], photos[7]
    order = find_order(photos, PATTERNS)
    assert order.certain
    assert (order.shows[7], order.shows[20]) == (20, 7)


@pytest.mark.parametrize("missing", [0, 1])
def test_of_photographs_that_show_no_patterns_no_order_is_told(missing: int) -> None:
    for seed in range(6):
        photos = [dark(SHAPE, 100 * seed + n) for n in range(len(PHOTOS) - missing)]
        assert not find_order(photos, PATTERNS).certain


@pytest.mark.parametrize("name", ["fast", "short", "gray"])
def test_rows_shown_before_columns_are_named_and_can_be_put_right(name: str) -> None:
    """Of nearly all photographs out of place none is told by the others; transposed, they would all but agree."""
    patterns = make_set(name, RESOLUTION, 2.2)
    photos = photograph(STILL, patterns, rng=np.random.default_rng(1))
    assert find_order(photos, patterns).right
    axis = [getattr(frame, "axis", "") for frame in patterns.frames]
    places = [n for n, along in enumerate(axis) if along]
    shown = dict(zip(places, sorted(places, key=lambda n: axis[n], reverse=True), strict=True))
    shuffled = [photos[shown.get(n, n)] for n in range(len(photos))]
    with pytest.raises(WrongPhotographs, match="along y are shown before those along x") as found:
        decode(shuffled, patterns)
    mended = found.value.order.mended
    assert mended is not None
    assert all(shuffled[n] is photo for n, photo in zip(mended, photos, strict=True))


@pytest.mark.parametrize("pair", [(20, 30), (14, 40), (10, 12), (25, 35)])
def test_exchanged_photographs_of_a_gray_code_are_named(pair: tuple[int, int]) -> None:
    """Half of the places of a coarse bar are as bright as in a uniform frame."""
    patterns = make_set("gray", RESOLUTION, 2.2)
    photos = photograph(STILL, patterns, rng=np.random.default_rng(1))
    photos[pair[0]], photos[pair[1]] = photos[pair[1]], photos[pair[0]]
    order = find_order(photos, patterns)
    assert order.certain
    assert {own: shown for own, shown in enumerate(order.shows) if shown != own} == dict([pair, pair[::-1]])
