"""The map of a view, judged by the virtual rig's own rays; and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt
from two_wings import rig_toml, small_wings
from virtual_views import Sorting, errors

from rigwarp.errors import MeasurementError
from rigwarp.rig import parse_rig
from rigwarp.view import Seen, ViewFit, cover_of, fit_view, points, register_seen, view_parts
from rigwarp.view.fit import _strained


def test_the_map_is_within_its_target(sorting: Sorting, fitted: ViewFit) -> None:
    vectors, sigma_mm = errors(fitted.view_map, sorting.true)
    distance = np.linalg.norm(vectors, axis=-1)
    assert np.sqrt(np.mean(distance**2)) < 0.05
    assert np.percentile(distance, 95) < 0.10
    assert len(distance) > 0.98 * sorting.true.answered.sum()
    assert 0.4 < np.sqrt(np.mean((vectors / sigma_mm[:, None]) ** 2)) < 1.6  # one rig; over many: bench_view
    assert fitted.coverage > 0.95


def test_no_pixel_is_in_a_wrong_zone_but_at_a_fold(sorting: Sorting, fitted: ViewFit) -> None:
    found, true = fitted.view_map, sorting.true
    wrong = found.answered & true.answered & (found.zone != true.zone)
    wrong |= found.answered & ~true.answered
    for zone in (0, 1):
        away_px = distance_transform_edt(true.zone != zone) + distance_transform_edt(true.zone == zone)
        assert not np.any(wrong & (found.zone == zone) & (true.zone != zone) & (away_px > 3.0))
    assert set(np.unique(found.zone)) == {-1, 0, 1}


def test_the_box_is_masked_and_specks_are_bridged(sorting: Sorting, fitted: ViewFit, speck: tuple[int, int]) -> None:
    """The camera's own box hides table over both wings; a speck of dirt hides some pixels of it."""
    found, (v, u) = fitted.view_map, speck
    assert found.answered[v, u]
    error = found.table_mm[v, u] - sorting.true.table_mm[v, u]
    assert np.linalg.norm(error) < 5.0 * found.sigma_mm[v, u] + 0.05
    middle = sorting.true.zone.shape[0] // 2
    boxed = ~sorting.true.answered[middle]
    boxed[: len(boxed) // 3] = boxed[2 * len(boxed) // 3 :] = False
    assert boxed.sum() > 10
    assert not found.answered[middle][boxed][2:-2].any()


def test_leans_serve_heights(sorting: Sorting, fitted: ViewFit) -> None:
    """Points 60 mm over the table: the lean's error times the height, owned up to."""
    v, u = (a[::501] for a in np.nonzero(fitted.view_map.measured & sorting.true.answered))
    pixels = np.stack([u, v], axis=-1).astype(float)
    place, sigma = points(fitted.view_map, pixels, height_mm=60.0, lean_doubt=fitted.registration.lean_doubt)
    true = sorting.true.table_mm[v, u] - 60.0 * sorting.true.lean[v, u]
    known = np.isfinite(sigma)
    assert known.mean() > 0.9
    error = np.linalg.norm((place - true)[known], axis=-1)
    assert np.percentile(error, 95) < 0.6
    assert np.all(error < 5.0 * sigma[known])


def test_cover_of_what_was_measured(sorting: Sorting, fitted: ViewFit) -> None:
    found, true = (cover_of(view, sorting.folder.rig.table) for view in (fitted.view_map, sorting.true))
    assert found.seen_share == pytest.approx(true.seen_share, abs=0.02)
    assert found.overlap_share == 0.0
    assert found.widest_unseen_mm > 140.0  # the strip below the fold: 2 * 75 mm


def test_a_mirrored_photograph_is_refused(sorting: Sorting) -> None:
    """Parity tells: the picture flipped left to right shows the table as no mirror does."""
    seen = sorting.seen
    flipped = replace(
        seen,
        table_mm=seen.table_mm[:, ::-1],
        random_mm=seen.random_mm[:, ::-1],
        common_mm=seen.common_mm[:, ::-1],
        light=seen.light[:, ::-1],
    )
    with pytest.raises(MeasurementError, match="turned or mirrored"):
        register_seen(sorting.parts, flipped, sorting.folder.rig.table)


def test_nothing_seen_is_refused(sorting: Sorting) -> None:
    nothing = replace(sorting.seen, table_mm=np.full_like(sorting.seen.table_mm, np.nan))
    with pytest.raises(MeasurementError, match="nothing of the table is seen"):
        register_seen(sorting.parts, nothing, sorting.folder.rig.table)


def test_a_design_that_would_have_to_move_too_far_is_told(fitted: ViewFit) -> None:
    assert fitted.registration.strain < 4.0
    assert _strained(fitted.registration) == ""
    told = _strained(replace(fitted.registration, strain=9.2))
    assert "would have to hang 9 times their tolerance away from where rig.toml has them" in told


def test_both_wings_may_be_one_mirror() -> None:
    """Two facets in one [[view.mirror]]: whose a pixel beside the fold is tells the jump there, so that sigma stays."""
    exact, random = small_wings(1).view_map(), np.random.default_rng(2)
    before, wing, other = rig_toml().split("[[view.mirror]]")
    rig = parse_rig(f"{before}[[view.mirror]]{wing}{other[other.index('[[view.mirror.facet]]') :]}")
    assert len(rig.view.mirrors) == 1
    parts = view_parts(rig, None, meshes={}, profiles={})
    full = np.where(exact.answered, 1.0, np.nan)
    seen = Seen(
        table_mm=exact.table_mm + 0.05 * random.normal(size=exact.table_mm.shape),
        random_mm=0.05 * full,
        common_mm=0.001 * full,
        light=0.5 * full,
    )
    found = fit_view(parts, seen, rig.table).view_map
    both = found.measured & exact.answered
    assert both.sum() > 0.97 * exact.answered.sum()
    np.testing.assert_array_equal(found.zone[both], exact.zone[both])
    assert np.percentile(np.linalg.norm(found.table_mm - exact.table_mm, axis=-1)[both], 95) < 0.05
    assert found.sigma_mm[both].max() < 0.1
