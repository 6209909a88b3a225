"""What is known about the built mirror, and how it is written down."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigwarp.as_built.describe.acceptance import Acceptance
from rigwarp.as_built.describe.deciding import Decider, deciders_in_words
from rigwarp.as_built.describe.defects import Defect
from rigwarp.as_built.describe.findings import Finding
from rigwarp.as_built.describe.form import FormFigures, ZernikeTerm
from rigwarp.as_built.describe.panels import Fold, Panel
from rigwarp.as_built.describe.radius import BuiltRadius
from rigwarp.as_built.describe.ripple import Ripple, RippleSearch
from rigwarp.as_built.fine_ripple.estimate import FineRipple
from rigwarp.as_built.solve.raised import HeightFit
from rigwarp.geometry import Array, BoolArray
from rigwarp.geometry.pixel_map import zones_lit


@dataclass(frozen=True, kw_only=True)
class Mounting:
    """How projector and mirror stand relative to rig.toml, (12,) each: projector shift, turn, mirror shift, turn.

    Attributes
    ----------
    values, sigma : mm and mrad along table axes, turns as rotation vectors about the parts' own origins.
    prior_sigma : the tolerances that went in.
    determined : False where the scan leaves (nearly) the whole tolerance open: such a value is no measurement.
    optics, optics_sigma, optics_prior_sigma : (3,) growth of the throw ratio and lens shifts, as shares.
    """

    values: Array
    sigma: Array
    prior_sigma: Array
    determined: BoolArray
    optics: Array
    optics_sigma: Array
    optics_prior_sigma: Array

    @property
    def projector_shift_mm(self) -> Array:
        """(3,)"""
        return self.values[0:3]

    @property
    def mirror_shift_mm(self) -> Array:
        """(3,)"""
        return self.values[6:9]


@dataclass(frozen=True, kw_only=True)
class AsBuilt:
    """The built mirror against its design, from the samples of one scan.

    Attributes
    ----------
    x_mm (nx,), y_mm (ny,) : grid lines, mirror frame.
    height_um, height_sigma_um : (ny, nx)
        Built minus design along the mirror's z axis, + towards the reflecting side, after the best rigid alignment;
        NaN outside the lit footprint.
    slope_x_mrad, slope_y_mrad : (ny, nx) its derivatives along x and y.
    zone : (ny, nx) int16, -1 outside.
    pose : how projector and mirror are mounted.
    unobservable : directions that the data cannot tell, in words.
    power_determined : False where the radius of the mirror is told by the mounting tolerances rather than by the scan.
    power_prior_share : share of the power's variance that comes from those tolerances.
    deciders : what would tell the power where it is not determined, by trying; empty: nothing would. None: it is.
    radius : of a mirror that is a single conic, where the power is determined; else None.
    zernike : terms of the height over the disk around `aperture_centre_mm` (2,) with `aperture_radius_mm`.
    figures : RMS, PV, slopes.
    panels, folds : each piece of a mirror of several, and the folds between them.
    defects : dents and bumps that stand out from the form around them.
    findings : what a workshop can make of all that, the one that moves the picture most first.
    acceptance : where the design is a single flat: what it says of the measuring chain.
    ripple : the periodic part that stands out, or None; `ripple_search` says what was looked for.
    fine_ripples : estimates of ripples that blur instead, one per zone at most; None where the scan does not tell.
    residual_mm : rms distance per axis between the samples and the fit.
    held_out_mm : the same for tiles of samples that were predicted without them.
    noise_scale : factor by which the samples' own sigma had to be enlarged to explain the scatter, neighbours' shared
        errors counted in; `shared_reach_mm` how far on the mirror these are alike, NaN where there are none.
    n_samples : averaged samples used.
    reflecting_side : +1 where + heights are along the mirror's +z, -1 else.
    camera_known : whether the camera came with a covariance.
    heights : of the table and of each raised board: how well its samples agree with the fit.
    measured_lengths : names of rig.toml's measured lengths, which the fit went by as well.
    """

    x_mm: Array
    y_mm: Array
    height_um: Array
    height_sigma_um: Array
    slope_x_mrad: Array
    slope_y_mrad: Array
    zone: NDArray[np.int16]
    pose: Mounting
    unobservable: tuple[str, ...]
    power_determined: bool
    power_prior_share: float
    deciders: tuple[Decider, ...] | None
    radius: BuiltRadius | None
    zernike: tuple[ZernikeTerm, ...]
    aperture_centre_mm: Array
    aperture_radius_mm: float
    figures: FormFigures
    panels: tuple[Panel, ...]
    folds: tuple[Fold, ...]
    defects: tuple[Defect, ...]
    findings: tuple[Finding, ...]
    acceptance: Acceptance | None
    ripple: Ripple | None
    ripple_search: RippleSearch
    fine_ripples: tuple[FineRipple, ...] | None
    residual_mm: float
    held_out_mm: float
    noise_scale: float
    shared_reach_mm: float
    n_samples: int
    reflecting_side: int
    camera_known: bool
    heights: tuple[HeightFit, ...]
    measured_lengths: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The contents of as_built.json; numbers that the data do not tell are None."""
        figures = asdict(self.figures)
        if not self.power_determined:
            figures["power_pv_um"] = None
        return {
            "pose": self._pose(),
            "unobservable": list(self.unobservable),
            "power": {
                "determined": self.power_determined,
                "prior_share_of_variance": self.power_prior_share,
                "radius": None if self.radius is None else {**asdict(self.radius), "from": _FROM["radius"]},
                "would_decide": None if self.deciders is None else [one.to_dict() for one in self.deciders],
                "decided_by": None if self.deciders is None else deciders_in_words(self.deciders),
                "note": self._power_note(),
            },
            "figures": {**figures, "from": _FROM["figures"]},
            "zernike": {
                "terms": [self._term(term) for term in self.zernike],
                "aperture_centre_mm": self.aperture_centre_mm,
                "aperture_radius_mm": self.aperture_radius_mm,
                "from": _FROM["zernike"],
            },
            "panels": [{name: np.asarray(v).tolist() for name, v in asdict(panel).items()} for panel in self.panels],
            "folds": [asdict(fold) for fold in self.folds],
            "defects": [asdict(defect) for defect in self.defects],
            "findings": [asdict(finding) for finding in self.findings],
            "flat_acceptance": self._acceptance(),
            "ripple": None if self.ripple is None else asdict(self.ripple),
            "ripple_search": {**asdict(self.ripple_search), "from": _FROM["ripple"]},
            "fine_ripple": {
                "estimate": True,
                "looked_for": self.fine_ripples is not None,
                "found": [asdict(one) for one in self.fine_ripples or ()],
                "from": _FROM["fine_ripple"],
            },
            "zones": self._zones(),
            "fit": {
                "residual_rms_mm": self.residual_mm,
                "held_out_rms_mm": self.held_out_mm,
                "noise_scale": self.noise_scale,
                "shared_reach_mm": None if np.isnan(self.shared_reach_mm) else self.shared_reach_mm,
                "n_samples": self.n_samples,
                "camera_covariance_known": self.camera_known,
                "heights": [asdict(height) for height in self.heights],
                "measured_lengths": list(self.measured_lengths),
                "from": _FROM["fit"],
            },
            "sign": {"height": _FROM["sign"], "reflecting_side_along_mirror_z": self.reflecting_side},
        }

    def _power_note(self) -> str:
        lengths = f"the measured length{'s' if len(self.measured_lengths) > 1 else ''}" if self.measured_lengths else ""
        if self.power_determined:
            return f"the mirror's radius is told by the scan{lengths and ' and ' + lengths}"
        return (
            "the mirror's radius against its distance from the projector is told by the mounting tolerances, not by "
            f"the scan{lengths and ' or ' + lengths}: the height map holds the most probable power, and no number is "
            "given for it"
        )

    def _pose(self) -> dict[str, Any]:
        pose = self.pose
        names = [
            f"{part}_{what}_{axis}"
            for part in ("projector", "mirror")
            for what in ("shift_mm", "turn_mrad")
            for axis in "xyz"
        ]
        rows = zip(names, pose.values, pose.sigma, pose.prior_sigma, pose.determined, strict=True)
        shares = ("throw_ratio_share", "lens_shift_x_share", "lens_shift_y_share")
        told = pose.optics_sigma < _OPTICS_TOLD * pose.optics_prior_sigma
        optics = zip(shares, pose.optics, pose.optics_sigma, pose.optics_prior_sigma, told, strict=True)

        def written(value: float, sigma: float, tolerance: float, known: bool) -> dict[str, float | None]:
            numbers = (float(value), float(sigma)) if known else (None, None)
            return {"value": numbers[0], "sigma": numbers[1], "tolerance": float(tolerance)}

        return {
            **{name: written(*row) for name, *row in rows},
            "optics": {name: written(*row) for name, *row in optics},
            "from": _FROM["pose"],
        }

    def _term(self, term: ZernikeTerm) -> dict[str, Any]:
        if (term.n, term.m) == (2, 0) and not self.power_determined:
            return {"n": term.n, "m": term.m, "um": None, "sigma_um": None}
        return asdict(term)

    def _acceptance(self) -> dict[str, Any] | None:
        if self.acceptance is None:
            return None
        numbers = asdict(self.acceptance)
        if not np.isfinite(self.acceptance.bow_um):
            numbers["bow_um"] = None
        return {**numbers, "from": _FROM["acceptance"]}

    def _zones(self) -> list[dict[str, Any]]:
        heights = {n: self.height_um[self.zone == n] for n in zones_lit(self.zone)}
        return [
            {"zone": n, "n": h.size, "rms_um": float(np.sqrt(np.mean(h**2))), "pv_um": float(np.ptp(h))}
            for n, h in heights.items()
        ]


_OPTICS_TOLD = 0.9  # sigma over tolerance below which the scan has told something
_FROM = {
    "radius": (
        "vertex radius of the conic, of the design's conic constant and coefficients, whose Z(2, 0) after alignment is "
        "the built mirror's; other form errors stand in the Zernike terms"
    ),
    "pose": (
        "maximum a posteriori fit of mounting, projector optics, camera errors and figure to all samples; null where "
        "the data leave more than 80 % of the tolerance's variance"
    ),
    "figures": "height map after rigid alignment, its grid points unweighted; nothing else removed but what is named",
    "zernike": (
        "least squares on the lit grid points over their enclosing circle, OSA/ANSI order and normalisation, "
        "sigma from the posterior covariance"
    ),
    "ripple": "spectrum of the slopes: figure plus what the fit left, after a smooth polynomial",
    "fine_ripple": (
        "an estimate: modulation lost along one direction of stripes beyond the other, less what the beam, the camera "
        "and a usual lens explain; a projector lens more astigmatic than usual looks alike. The amplitude is for the "
        "assumed pitch. Directions come with what is as likely; a ripple halfway between the directions of the stripes "
        "looks like a picture out of focus and is not found"
    ),
    "acceptance": "common practice for front-surface mirrors on float glass: 12 fringes of 633 nm per 25 mm",
    "fit": "samples averaged over cells of projector pixels, against the fitted model",
    "sign": "built minus design along the mirror's z axis, + towards the reflecting side",
}
