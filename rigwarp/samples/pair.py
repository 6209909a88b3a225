"""One sample against one reference: every figure that two legs give."""

from dataclasses import dataclass

import cv2
import numpy as np

from rigwarp.geometry import Array
from rigwarp.samples.bench import SampleBench, Sheet
from rigwarp.samples.closed_forms import fresnel, ghost_distance_mm
from rigwarp.samples.double_image import DoubleImage, as_one_face, find_double_image, hidden, with_thickness
from rigwarp.samples.frames import middle_px
from rigwarp.samples.leg import Leg
from rigwarp.samples.local_blur import Beams, StripeBlur, companions_doubts_mm2, edge_modulation, stripe_blur
from rigwarp.samples.registered import Nodes, Registered, landing_mm, nodes_of, register, tile_light
from rigwarp.samples.sent_light import sent_light
from rigwarp.samples.specks import Specks, find_specks
from rigwarp.samples.veil import haze_of, near_light, veil_of

_EDGE_PERIOD_PX = 8  # where edge and stripes are compared
_EVEN_MM = 5.0
_NEAR_MM = 0.2  # between a double image and where the sheet's thickness has it
_CROWDED = 0.1  # rms of ln(brightness) by waves, above which unevenness of reflectance is not told


@dataclass(frozen=True, kw_only=True)
class Pair:
    """What one sample leg says against one reference leg.

    Attributes
    ----------
    log_ratio : (3,) ln of relative reflectance in red, green, blue. log_sigma : (3,) by the scatter of tiles.
    ratio : (rows, columns) relative reflectance over the mirror, beam ripple taken out.
    uneven_share, uneven_rms : P95 - P5, and rms beside a plane, smoothed over the footprint or 5 mm; NaN where waves
        crowd the light so much that their ripple cannot be taken out.
    blur : in the plane of incidence, across it. companions_mm2 : 1-sigma of the former's variance, by how well the
        companions of either mirror are known.
    edge : the same stripes' modulation ratio by an edge, and by stripes.
    veil : (5,) share of light beyond 2 to 32 mrad (to the field's edge) more than the reference's; veil_sigma.
    haze : (2,) the same beyond 8 mrad in red and blue. haze_sigma : of either.
    landing : (rows, columns, 2) mm on the screen beside the reference's. crowding : mean square stretch by waves.
    spread_mm2 : (2,) variance of the sample leg's blur, bench and mirror, without what waves make of it.
    double : the sample's own double image. specks : of the sample against the reference.
    """

    log_ratio: Array
    log_sigma: Array
    ratio: Array
    uneven_share: float
    uneven_rms: float
    blur: tuple[StripeBlur, StripeBlur]
    companions_mm2: float
    edge: tuple[tuple[float, float], tuple[float, float]]
    veil: Array
    veil_sigma: Array
    haze: Array
    haze_sigma: float
    landing: Array
    crowding: float
    spread_mm2: Array
    double: DoubleImage
    specks: Specks


def compare_pair(bench: SampleBench, sheet: Sheet, sample: Leg, reference: Leg, nodes: Nodes | None = None) -> Pair:
    """All figures of a sample leg against a reference leg.

    Raises
    ------
    MeasurementError
        The seat's picture is too small, or the sample spreads light too widely.
    """
    nodes = nodes_of(bench, reference) if nodes is None else nodes
    s, r = register(sample, nodes), register(reference, nodes)
    crowding = s.crowding(r)
    log_ratio, log_sigma = log_reflectance(sample, reference, nodes)
    sent = sent_light(bench, sample, reference, nodes)
    ratio = sent.light * float(np.exp(log_ratio.mean()) / np.median(sent.light))
    wide = max(bench.footprint_mm, _EVEN_MM) / 2.0 / nodes.pitch_mm
    smooth = np.asarray(cv2.GaussianBlur(ratio, (0, 0), float(wide[0]), sigmaY=float(wide[1])), np.float64)
    calm = float(np.std(np.log(s.density / r.density))) < _CROWDED
    whole, sigma = float(bench.reference_reflectance.mean()), bench.reference_sigma
    of_sample = float(np.exp(log_ratio.mean()))
    whole_sample = whole * of_sample
    double = as_one_face(find_double_image(bench, sample, nodes), whole_sample, sigma * of_sample, *_face(bench, sheet))
    # where companions are by what bench.toml says of the sheet
    clear = sheet.thickness_mm > 0.0
    there_mm = float(ghost_distance_mm(sheet.thickness_mm, sheet.index, bench.angle_rad)) if clear else float("nan")
    # waves that crowd light look like companions, too
    expected = abs(double.distance_mm - there_mm) < max(3.0 * double.distance_sigma_mm, _NEAR_MM)
    double = with_thickness(double, there_mm, sheet.thickness_mm) if calm or expected else hidden(double)
    reference_double = find_double_image(bench, reference, nodes)
    reference_double = as_one_face(reference_double, whole, sigma, *_face(bench, bench.reference))
    beams = (
        _beams(bench, sheet, double, nodes.u, whole_sample),
        _beams(bench, bench.reference, reference_double, nodes.u, whole),
    )
    blur = (stripe_blur(bench, s, r, "x", beams), stripe_blur(bench, s, r, "y", beams))
    both = ((sheet, whole_sample), (bench.reference, whole))
    doubts = [companions_doubts_mm2(bench, one, light, blur[0].added.variance_mm2) for one, light in both]
    near = (near_light(bench, sample, beams[0]), near_light(bench, reference, beams[1]))
    veil, veil_sigma = veil_of(bench, *near)
    haze, haze_sigma = haze_of(bench, *near)
    return Pair(
        log_ratio=log_ratio,
        log_sigma=log_sigma,
        ratio=ratio,
        uneven_share=float(np.diff(np.quantile(smooth, [0.05, 0.95]))[0]) if calm else float("nan"),
        uneven_rms=_beside_plane(smooth) if calm else float("nan"),
        blur=blur,
        # each has an index and a thickness of its own, and the angle is common to both
        companions_mm2=float(np.linalg.norm([*doubts[0][:2], *doubts[1][:2], doubts[0][2] - doubts[1][2]])),
        edge=(_edge(bench, s, r, "x"), _edge(bench, s, r, "y")),
        veil=veil,
        veil_sigma=veil_sigma,
        haze=haze,
        haze_sigma=haze_sigma,
        landing=landing_mm(bench, s, r),
        crowding=float(crowding.mean()),
        spread_mm2=np.maximum(near[0].whole_mm2 - [one.waves_mm2 for one in blur], 0.0),
        double=double,
        specks=find_specks(
            bench, ratio, nodes, crowding, spread_px2=sent.smoothed_px2, gathered_px2=s.read(sent.gathered_px2)
        ),
    )


def _face(bench: SampleBench, sheet: Sheet) -> tuple[float, float]:
    """Reflectance of a sheet's clear face and its 1-sigma by that of the index; NaN where bench.toml says nothing."""
    if not sheet.thickness_mm > 0.0:
        return float("nan"), float("inf")
    here, off = (
        float(np.mean(fresnel(1.0, index, float(np.cos(bench.angle_rad)))[:2]))
        for index in (sheet.index, sheet.index + sheet.index_sigma)
    )
    return here, off - here


def log_reflectance(sample: Leg, reference: Leg, nodes: Nodes) -> tuple[Array, Array]:
    """(3,) ln of relative reflectance and its 1-sigma, by colour: of the median tile, which no speck darkens."""
    light = [tile_light(one, one.colours, nodes) for one in (sample, reference)]
    logs = np.log(light[0] / light[1]).reshape(3, -1)
    # tiles overlap by half, so about half of them are independent
    return np.median(logs, axis=1), np.std(logs, axis=1, ddof=1) / np.sqrt(0.5 * logs.shape[1])


def _beside_plane(values: Array) -> float:
    y, x = np.indices(values.shape)
    rows = np.stack([np.ones_like(values), x, y], axis=-1).reshape(-1, 3)
    fit, *_ = np.linalg.lstsq(rows, values.ravel(), rcond=None)
    return float(np.std(values.ravel() - rows @ fit))


def _beams(bench: SampleBench, sheet: Sheet, found: DoubleImage, u_px: Array, reflectance: float) -> Beams:
    """The beams by what bench.toml says of the sheet; where it says nothing, by what is seen."""
    if np.isnan(sheet.thickness_mm) and found.seen:
        places = found.distance_mm * np.array([[-1.0, 0.0, 1.0]]) * np.ones((len(u_px), 1))
        return places, np.array([found.front, 1.0, found.third])
    return bench.beams(sheet, u_px, reflectance)


def _edge(bench: SampleBench, s: Registered, r: Registered, axis: str) -> tuple[float, float]:
    """Modulation of the sample over that of the reference at eight pixels, by the edge and by the stripes."""
    per_px = np.array([1.0 / _EDGE_PERIOD_PX])
    k = 0 if axis == "x" else 1
    found = []
    for one in (s, r):
        inside = one.nodes.inside(one.leg)
        off = one.leg.position[..., k] - middle_px(bench)[k]
        near = inside & (np.abs(off) < 3 * _EDGE_PERIOD_PX)
        light = one.leg.edges[axis][near] / np.maximum(one.leg.white[near], 1e-6)
        found.append(float(edge_modulation(off[near], light, per_px, bin_mm=0.125)[0]))
    stripes = [float(np.mean(one.read(one.leg.contrast[axis, _EDGE_PERIOD_PX]))) for one in (s, r)]
    return found[0] / max(found[1], 1e-6), stripes[0] / max(stripes[1], 1e-6)
