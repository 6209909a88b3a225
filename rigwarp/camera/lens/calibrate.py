"""The lens from photographs of a hand-held board."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigwarp.camera.boards.board_shape import EXACT_PRINT, N_SHAPE, PLAIN_PRINT, SheetSigma, board_bends
from rigwarp.camera.boards.detection import BoardView
from rigwarp.camera.lens.bundle import N_SHARED, Bundle, Corners, Prior, adjust, cost, observe
from rigwarp.camera.lens.judgement import WANTED_VIEWS, folds_inside, frame_coverage, lens_warnings, print_warnings
from rigwarp.camera.lens.robust import RobustFit, fit_robustly
from rigwarp.camera.lens.settings import settings_warnings
from rigwarp.camera.projection import LENS_TERMS, N_LENS, lens_matrix
from rigwarp.camera.table.planar import MIN_CORNERS, planar_poses, spans_a_plane
from rigwarp.errors import InputError, MeasurementError
from rigwarp.geometry import Array, BoolArray

MIN_VIEWS = 3
"""Photos below which a lens is refused; ten or more are wanted."""

SAME_PLACE = 0.003
"""Of the picture's width: nearer corners are of a board that was held still."""

_FOCAL_GUESSES = (0.5, 0.8, 1.2, 2.0, 4.0)  # in image widths: from a wide angle to a short telephoto lens
_BAD_VIEW = 3.0  # times the median photo's noise: the board moved, or it is another board
_AIC_PER_TERM = 2.0
_BASE_TERMS = ("fx", "fy", "cx", "cy", "k1")
_FURTHER_TERMS = (("k2",), ("p1", "p2"), ("k3",))


@dataclass(frozen=True, kw_only=True)
class LensResult:
    """A lens and what is needed to judge it.

    Attributes
    ----------
    resolution : (width, height) of the photos.
    matrix : (3, 3); distortion : (5,)
        OpenCV's model; k1, k2, p1, p2, k3.
    covariance_lens : (9, 9)
        Of fx, fy, cx, cy, k1, k2, p1, p2, k3, scaled by the residuals; zero for terms that
        the data did not ask for. Board poses and the shape of the print are marginalised.
    terms : names of the lens terms that were estimated.
    shape_sigmas : (5,) of the print's shape, see `board_shape`.
    sheet_sigma : what was known of the print beforehand.
    rms_px : RMS length of the residuals of the corners kept.
    views : the photos used; fit : poses, residuals, kept corners and noise of each, in the same order.
    used : indices of the photos used, in the order given.
    rejected : (index, reason) of the others.
    coverage : share of the frame's cells (8 x 6) with a corner in them.
    warnings : what makes the result weaker than it could be, and what to do about it.
    """

    resolution: tuple[int, int]
    matrix: Array
    distortion: Array
    covariance_lens: Array
    terms: tuple[str, ...]
    shape_sigmas: Array
    sheet_sigma: SheetSigma
    rms_px: float
    views: tuple[BoardView, ...]
    fit: RobustFit
    used: tuple[int, ...]
    rejected: tuple[tuple[int, str], ...]
    coverage: float
    warnings: tuple[str, ...]

    @property
    def lens(self) -> Array:
        """(9,) fx, fy, cx, cy, k1, k2, p1, p2, k3."""
        return self.fit.bundle.lens

    @property
    def shape(self) -> Array:
        """(5,) aspect, squareness and bow of the board that was held, see `board_shape`."""
        return self.fit.bundle.shape

    @property
    def sigmas(self) -> Array:
        """(9,) 1-sigma of the terms of `lens`."""
        return np.sqrt(np.diag(self.covariance_lens))

    @property
    def view_rms_px(self) -> Array:
        """(V,) RMS length of the residuals in each photo used."""
        return self.fit.view_rms_px

    @property
    def residual_px(self) -> tuple[Array, ...]:
        """Per photo used, (N, 2) measured minus predicted."""
        return self.fit.residual_px


def calibrate_lens_from_views(views: Sequence[BoardView], *, sheet_sigma: SheetSigma = PLAIN_PRINT) -> LensResult:
    """Estimate the lens from photographs of the hand-held board, each with the board tilted another way.

    Parameters
    ----------
    views : what `detect_board` found in each.
    sheet_sigma : how well the board is known; what is not zero is estimated along with the lens.

    Raises
    ------
    InputError
        Photos of different sizes, or that are not grey.
    MeasurementError
        Too few photos show the board, or they do not determine the lens.
    """
    resolution = _common_resolution(views)
    rejected = {i: reason for i, view in enumerate(views) if (reason := _unusable(view)) is not None}
    rejected |= _repeats(views, rejected)
    used = [i for i in range(len(views)) if i not in rejected]
    while True:
        _need_views(used, rejected, len(views))
        corners = [board_corners(views[i]) for i in used]
        fit, terms = _choose_terms(_first_guess(corners, resolution), corners, resolution, sheet_sigma)
        bad = _misfits(fit)
        if not bad:
            break
        rejected |= {used[place]: reason for place, reason in bad.items()}
        used = [i for i in used if i not in rejected]
    free = free_terms(terms, sheet_sigma)
    shared = np.zeros((N_SHARED, N_SHARED))
    shared[np.ix_(free, free)] = fit.equations.covariance(None)
    covariance = shared[:N_LENS, :N_LENS]
    coverage = frame_coverage([views[i].image_px for i in used], resolution)
    return LensResult(
        resolution=resolution,
        matrix=lens_matrix(fit.bundle.lens),
        distortion=fit.bundle.lens[4:].copy(),
        covariance_lens=covariance,
        terms=terms,
        shape_sigmas=np.sqrt(np.diag(shared)[N_LENS:]),
        sheet_sigma=sheet_sigma,
        rms_px=fit.rms_px,
        views=tuple(views[i] for i in used),
        fit=fit,
        used=tuple(used),
        rejected=tuple(sorted(rejected.items())),
        coverage=coverage,
        warnings=(
            *lens_warnings(fit.bundle.lens, covariance, len(used), coverage),
            *print_warnings(fit.bundle.shape, sheet_sigma),
            *settings_warnings(fit, corners, used),
        ),
    )


def board_corners(view: BoardView) -> Corners:
    """A view of the hand-held board as the bundle takes it."""
    bends = board_bends(view.object_mm, view.size_mm, flat=False)
    return Corners(points_mm=view.object_mm, image_px=view.image_px, bends=bends)


def free_terms(terms: Sequence[str], sheet_sigma: SheetSigma) -> BoolArray:
    """(14,) which shared terms may move: the lens terms named, and the print's shape where it is not known exactly."""
    return np.concatenate([[name in terms for name in LENS_TERMS], sheet_sigma.shape > 0.0])


def shape_prior(sheet_sigma: SheetSigma) -> Prior:
    """The print as it should be, as prior knowledge; nothing is known of the lens."""
    sigma = sheet_sigma.shape
    information = np.divide(1.0, sigma**2, out=np.zeros(N_SHAPE), where=sigma > 0.0)
    return Prior(shared=np.zeros(N_SHARED), information=np.diag(np.concatenate([np.zeros(N_LENS), information])))


def _common_resolution(views: Sequence[BoardView]) -> tuple[int, int]:
    if not views:
        raise MeasurementError(f"there are no photos of the board; take {WANTED_VIEWS} or more")
    resolution = views[0].resolution
    for i, view in enumerate(views):
        if view.resolution != resolution:
            raise InputError(
                f"photo {i + 1} of the board is {view.resolution[0]} x {view.resolution[1]} pixels, photo 1 is "
                f"{resolution[0]} x {resolution[1]}: all photos must come from one camera at one setting"
            )
    return resolution


def _unusable(view: BoardView) -> str | None:
    if view.mirrored:
        return "the board is there only in mirror image: switch off the camera's mirror mode"
    if view.oddity:
        return view.oddity
    if view.n < MIN_CORNERS:
        return f"{view.n} corners of the board found, {MIN_CORNERS} needed"
    return None if spans_a_plane(view.object_mm) else "the corners found all lie on one line"


def _repeats(views: Sequence[BoardView], rejected: dict[int, str]) -> dict[int, str]:
    """Photos that show the board where an earlier one does: they would count its errors twice, and tell nothing new."""
    kept: list[int] = []
    found = {}
    for i, view in enumerate(views):
        if i in rejected:
            continue
        first = next((k for k in kept if _same_place(view, views[k])), None)
        if first is None:
            kept.append(i)
        else:
            found[i] = f"almost the same as photo {first + 1}, and counted once"
    return found


def _same_place(one: BoardView, other: BoardView) -> bool:
    _, here, there = np.intersect1d(one.ids, other.ids, return_indices=True)
    if len(here) < max(MIN_CORNERS, 0.5 * max(one.n, other.n)):
        return False
    apart = np.linalg.norm(one.image_px[here] - other.image_px[there], axis=-1)
    return float(np.max(apart)) < SAME_PLACE * one.resolution[0]


def _need_views(used: Sequence[int], rejected: dict[int, str], n: int) -> None:
    if len(used) < MIN_VIEWS:
        reasons = "; ".join(f"photo {i + 1}: {reason}" for i, reason in sorted(rejected.items())[:5])
        raise MeasurementError(
            f"{len(used)} of {n} photos of the board can be used, at least {MIN_VIEWS} are needed"
            f"{' (' + reasons + ')' if reasons else ''}. Take ten or more sharp photos with the board tilted about 30 "
            "degrees in different directions, and check that [target] in rig.toml describes the printed sheet"
        )


def _first_guess(corners: Sequence[Corners], resolution: tuple[int, int]) -> Bundle:
    """The best of a few focal lengths, each with poses from the homographies and a few steps of adjustment."""
    observations = observe(corners, [np.ones(len(seen.image_px)) for seen in corners])
    best: tuple[float, Bundle] | None = None
    for guess in _FOCAL_GUESSES:
        lens = np.zeros(N_LENS)
        lens[:2] = guess * resolution[0]
        lens[2:4] = (np.array(resolution) - 1) / 2
        poses = [planar_poses(seen.points_mm, seen.image_px, lens) for seen in corners]
        if not all(poses):
            continue
        start = Bundle(shared=np.concatenate([lens, np.zeros(N_SHAPE)]), poses=tuple(pose[0] for pose in poses))
        if not np.isfinite(cost(start, observations)):
            continue
        start = adjust(start, observations, free=free_terms(("fx", "fy"), EXACT_PRINT), max_steps=5)
        misfit = cost(start, observations)
        if start.lens[:2].min() > 0.0 and (best is None or misfit < best[0]):
            best = (misfit, start)
    if best is None:
        raise MeasurementError("no focal length explains the photos of the board: are they all of one flat board?")
    return adjust(best[1], observations, free=free_terms(_BASE_TERMS, EXACT_PRINT), max_steps=10)


def _choose_terms(
    start: Bundle, corners: Sequence[Corners], resolution: tuple[int, int], sheet_sigma: SheetSigma
) -> tuple[RobustFit, tuple[str, ...]]:
    """Add distortion terms as long as the data ask for them (Akaike: 2 per term) and the lens does not fold."""
    terms: tuple[str, ...] = _BASE_TERMS
    prior = shape_prior(sheet_sigma)
    fit = fit_robustly(start, corners, free=free_terms(terms, sheet_sigma), prior=prior)
    for extra in _FURTHER_TERMS:
        candidate = (*terms, *extra)
        free = free_terms(candidate, sheet_sigma)
        trial = fit_robustly(fit.bundle, corners, free=free, prior=prior)
        if not folds_inside(trial.bundle.lens, resolution) and _better(trial, fit, len(extra)):
            fit, terms = trial, candidate
    return fit, tuple(name for name in LENS_TERMS if name in terms)


def _better(trial: RobustFit, fit: RobustFit, n_extra: int) -> bool:
    """Akaike's rule on the same corners with the same noise: the trial's, which does not suffer from missing terms."""

    def misfit(candidate: RobustFit) -> float:
        return sum(
            float(np.sum(r[k] ** 2)) / s**2
            for r, k, s in zip(candidate.residual_px, trial.kept, trial.noise_px, strict=True)
        )

    return misfit(fit) - misfit(trial) > _AIC_PER_TERM * n_extra


def _misfits(fit: RobustFit) -> dict[int, str]:
    """Photos to leave out, by place among those used: the worst one only, since it may have spoilt the others."""
    typical = float(np.median(fit.noise_px))
    worst = int(np.argmax(fit.noise_px))
    few = [i for i, kept in enumerate(fit.kept) if kept.sum() < MIN_CORNERS or kept.mean() < 0.5]
    if few:
        return {few[0]: "most of its corners do not fit the other photos: was the board bent, or moved while exposed?"}
    if fit.noise_px[worst] > _BAD_VIEW * typical:
        return {
            worst: f"corners scatter by {fit.noise_px[worst]:.2f} px, those of the other photos by {typical:.2f} px: "
            "did the board move or bend, or was zoom or focus another one?"
        }
    return {}
