"""Decoding one exposure of a pattern set."""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.modulation import Modulation, measure_modulation
from rigwarp.decode.decoded import Decoded, Reason
from rigwarp.decode.photographs.bands import find_bands, without_bands
from rigwarp.decode.photographs.common_picture import expected_plaid, lay_over
from rigwarp.decode.photographs.even_light import burnt_in_waves, even_out
from rigwarp.decode.photographs.level_change import LevelChange, find_change_of_levels
from rigwarp.decode.photographs.light_model import Frames, modelled_frames
from rigwarp.decode.photographs.motion import CameraPath, find_path, moved_back
from rigwarp.decode.photographs.order import WrongPhotographs, find_order
from rigwarp.decode.photographs.own_light import LightCourse, light_differs
from rigwarp.decode.photographs.places import look
from rigwarp.decode.photographs.processing import Processing, find_processing, uneven_noise
from rigwarp.decode.photographs.repeats import displaced_cells, shift_between_repeats
from rigwarp.decode.pixels.camera_response import EIGHT_BITS, Codes, ResponseFinder, pixel_sample
from rigwarp.decode.pixels.edges_of_light import widen_at_edges
from rigwarp.decode.pixels.fast_solver import Single
from rigwarp.decode.pixels.first_look import check_lit, first_look
from rigwarp.decode.pixels.folds import find_folds
from rigwarp.decode.pixels.full_frame import (
    THREADS,
    FullFrame,
    Pictures,
    new_pictures,
    no_answers,
    shown_frames,
)
from rigwarp.decode.pixels.layout import axis_layout
from rigwarp.decode.pixels.neighbours import judge_by_neighbours, take_out
from rigwarp.decode.pixels.passers_by import decode_from_the_rest
from rigwarp.decode.pixels.refusals import (
    check_waves,
    exposure_error,
    light_error,
    moved_error,
    share_that_moved,
)
from rigwarp.decode.pixels.smear import SmearGauge, find_smear
from rigwarp.decode.signal.position import position_table
from rigwarp.decode.signal.response import Response
from rigwarp.decode.signal.signal_model import SignalModel, learn_signal_model
from rigwarp.errors import InputError
from rigwarp.patterns import PatternSet
from rigwarp.rig import decode_transfer

_MOVED_PX, _MOVED_SIGMAS = 0.012, 6.0  # camera pixels between frames and their repeats: less changes nothing
_LEFT_PX = 0.03  # of them once the camera's way is taken out
_PLAID_MOVED_PX = 0.03  # camera pixels between the plaid and the stripes after it: less is seen by light on two paths
_THIN = 8  # of the rows and columns one is looked at for the mean light
_HALF_CODE, _MOST_OF_HALF = 0.5, 0.65  # half of white's code gives less than this share of its light on any projector
_MOST_BURNT = 0.05  # of the lit pixels, where the exposure followed the picture: less is left out
_MOST_BANDS_LEFT = 0.4  # of bands that were taken out: else they are of another kind
_HALF_WAY = 0.5  # of a way that goes on all through a scan: there the picture is on average
_HARDLY = 0.5  # of the pixels that are lit decode
_BRIGHT = 0.3  # of the usual contrast, in code values, of which added light makes a fifth
_KEPT_PICTURES = ("u_px", "v_px", "sigma_u_px", "sigma_v_px", "reason", "light", "chi2")
_LOOSE = (
    "hardly anything is lit by this zone alone, so that the picture that all zones show together cannot be compared "
    "with this scan's own stripes; a camera that moved right after that picture would go unseen. Fix it well"
)


@dataclass(frozen=True, kw_only=True)
class _Grey:
    """What the uniform frames tell: the response, and where (H, W) the projector lights what is usable."""

    response: Response
    lit: NDArray[np.bool_]


class ExposureDecoder:
    """Takes the photographs of one exposure one by one, called `labels`, and decodes them after the last."""

    def __init__(self, patterns: PatternSet, labels: Sequence[str]) -> None:
        self._patterns = patterns
        self._labels = labels
        self._layouts = (axis_layout(patterns, "x"), axis_layout(patterns, "y"))
        levels = patterns.level_indices()
        if len(levels) < 2:
            raise InputError("patterns.json: fewer than two uniform grey frames. Export the patterns again.")
        self._ends = (levels[min(levels)], levels[max(levels)])
        self.photos: list[Codes] = []
        self._camera_scale = 0  # the largest code of the photographs as they were taken
        self._followed = 0.0  # by what factor the exposure followed the picture: then grey frames tell nothing
        self._evened = False  # then dim pixels are as likely lit by what was added as by the projector
        self._plaid_loose = False  # it cannot be laid over the scan's own stripes
        self._unseen_px = 0.0  # motion too small to be looked for, as a 1-sigma of places
        self._processing: Processing | None = None
        self._reason: NDArray[np.uint8] | None = None  # of each pixel, as far as black and white tell
        self._early: Future[tuple[_Grey, LevelChange | None]] | None = None  # worked out while stripes are shown
        self._no_answers: Future[list[Single]] | None = None  # made then, too, for the first of the attempts
        self._grey: _Grey | None = None  # of `photos` as they are
        self._change: LevelChange | None = None
        for layout in self._layouts:
            if not layout.bits:
                position_table(layout.periods_px, layout.extent_px)  # made while nobody waits

    def add(self, photo: Codes) -> None:
        """The photograph of the next frame, of the same size and type as the first; MeasurementError as `decode`."""
        index = len(self.photos)
        self._camera_scale = int(np.iinfo(photo.dtype).max)
        self.photos.append(np.ascontiguousarray(photo))
        if index == max(self._ends):
            black, white = (self.photos[end] for end in self._ends)
            self._reason = first_look(black, white)
            check_lit(self._reason, black, white, [self._labels[end] for end in self._ends])
        if index == max(self._patterns.level_indices().values()):
            pool = ThreadPoolExecutor(1)
            self._early = pool.submit(self._look_at_levels)
            # what a new array costs is touching its memory first: at 24 megapixels a second of a slow core
            self._no_answers = pool.submit(no_answers, photo.shape)
            pool.shutdown(wait=False)

    def _look_at_levels(self) -> tuple[_Grey, LevelChange | None]:
        levels = sorted(self._patterns.level_indices().values())
        assert self._reason is not None, "black and white are among them"
        usable = self._reason == Reason.OK
        grey = _Grey(response=self._finder.by_levels(self.photos, usable), lit=self._bright(usable))
        return grey, find_change_of_levels([self.photos[n] for n in levels])

    def finish(self) -> Decoded:
        """Decode; MeasurementError as `decode`."""
        assert self._reason is not None, "finish comes after all photographs"
        assert self._early is not None, "the grey frames are among them"
        self._check_order()
        grey, self._change = self._early.result()
        response = self._finder.by_stripes(grey.response, self.photos, self._reason == Reason.OK, lambda: grey.lit)
        self._grey = replace(grey, response=response)
        self._check_exposure(self._reason)
        reason, light = self._reason, self._even_out(self._reason == Reason.OK)
        bands_px = self._take_out_bands(self._reason == Reason.OK)
        decoded = self._finish(reason, None)
        if bands_px:
            decoded = replace(self._in_own_bits(decoded), bands_sigma_px=bands_px)
        if self._followed:
            decoded = replace(decoded, modulation=None, corrected=(self._exposure_in_words(), *decoded.corrected))
        if light is None:
            return decoded
        return replace(
            self._in_own_bits(decoded),
            corrected=(light.in_words(self._labels), *decoded.corrected),
            light_sigma_px=light.sigma_px,
        )

    def _in_own_bits(self, decoded: Decoded) -> Decoded:
        """What was decoded from photographs that had been given 16 bits, as if from the camera's own."""
        response = replace(decoded.response, full_scale=self._camera_scale)
        return replace(decoded, response=response, plaid=self._as_taken(decoded.plaid))

    def _as_taken(self, photo: Codes | None) -> Codes | None:
        """A photograph in the camera's own number of bits."""
        if photo is None or self._camera_scale > EIGHT_BITS or photo.dtype == np.uint8:
            return photo
        return np.rint(photo * (EIGHT_BITS / self._full_scale)).astype(np.uint8)

    def _check_exposure(self, reason: NDArray[np.uint8]) -> None:
        """Whether the exposure followed the picture; if so, pixels that burn out in the stripes are left out of
        `reason`. MeasurementError where these are many."""
        usable = reason == Reason.OK
        share = float(self._told_by_grey(usable).response.projector_light(np.array(_HALF_CODE)))
        if share <= _MOST_OF_HALF:
            return
        burnt = usable & burnt_in_waves(self.photos, self._frames)
        if np.count_nonzero(burnt) > _MOST_BURNT * np.count_nonzero(usable):
            raise exposure_error(share, np.count_nonzero(burnt) / np.count_nonzero(usable))
        reason[burnt] = Reason.SATURATED
        self._followed = share / float(decode_transfer(np.array(_HALF_CODE), self._patterns.transfer))
        self._grey = None

    def _exposure_in_words(self) -> str:
        return (
            "the camera's exposure (or the projector's brightness) followed the picture: grey of half of white's code "
            f"was taken {self._followed:.1f} times as bright. The camera's response was taken as usual and put right "
            "by the stripes; whether there is ripple finer than the beam is not told. Switch automatic exposure (and "
            "dynamic contrast) off"
        )

    def _even_out(self, usable: NDArray[np.bool_]) -> LightCourse | None:
        """Put photographs of other light right; MeasurementError where that cannot be done."""
        if self._change is not None and not self._followed:
            levels = sorted(self._patterns.level_indices().values())
            raise light_error(self._change, [self._labels[index] for index in levels])
        grey, taken = self._told_by_grey(usable), self.photos
        response, lit = grey.response, grey.lit
        thin = (slice(None, None, _THIN), slice(None, None, _THIN))
        light = response.table()[np.stack([taken[index][thin][lit[thin]] for index in self._frames.index])]
        if not light_differs(light, self._frames):
            return None
        found = even_out(
            taken,
            lit,
            self._frames,
            self._layouts,
            response,
            lambda photos: replace(self._response(photos, usable), full_scale=self._camera_scale),
            self._labels,
        )
        if found is None:
            return None
        photos, course = found
        self._go_on_with(photos)
        self._evened = True
        self._processing = self._processed(taken, lit, response)  # of the photographs as they were taken
        return course

    def _take_out_bands(self, usable: NDArray[np.bool_]) -> float:
        """Take bands out of the photographs; what they leave of positions, projector pixels, 0 where there are none."""
        grey = self._told_by_grey(usable)
        response, lit = grey.response, grey.lit
        if self._processing is None:
            self._processing = self._processed(self.photos, lit, response)
        before = self._processing
        if not before.bands:
            return 0.0
        seen = look(self.photos, lit, self._frames, self._layouts, response.table())
        if seen is None:
            return 0.0
        bands = find_bands(seen, self._frames, usable.shape, before.band_rows)
        with ThreadPoolExecutor(THREADS) as pool:
            photos = without_bands(self.photos, bands, self._ends[0], response, pool)
        if self._processed(photos, lit, self._response(photos, usable)).bands > _MOST_BANDS_LEFT * before.bands:
            return 0.0
        self._go_on_with(list(photos))
        self._processing = replace(before, bands_out=True, band_rows=bands.period_rows)
        return bands.sigma_px

    def _finish(self, reason: NDArray[np.uint8], path: CameraPath | None) -> Decoded:
        """Decode photographs that may have been put back by a camera's path."""
        usable = reason == Reason.OK
        grey = self._told_by_grey(usable)
        response, lit = grey.response, grey.lit
        with ThreadPoolExecutor(THREADS) as pool:
            made, self._no_answers = self._no_answers, None
            values = no_answers(reason.shape) if made is None else made.result()
            pictures = new_pictures(reason.copy(), values, repeats=bool(self._patterns.repeats()))
            sample = pixel_sample(self.photos, lit if self._evened else usable, shown_frames(self._layouts))
            chain = learn_signal_model(sample, self._layouts, response, self._ends, self._patterns.repeats(), pool)
            check_waves(sample, self._layouts, chain, self._ends)
            low, high = self._patterns.light_range
            gauge = SmearGauge(layouts=self._layouts, chain=chain, ends=self._ends, swing=high - low)
            repeats = [(a, b, _gain(chain, sample[a], sample[b])) for a, b in self._patterns.repeats()]
            seen = self._processing
            assert seen is not None, "told before photographs are put right, which smooths them"
            excess = None
            if seen.uneven:
                unseen = seen.compressed or seen.smoothed
                excess = uneven_noise(self.photos, self._layouts, chain, self._ends, unseen=unseen)
            whole = FullFrame(self.photos, self._layouts, chain, self._ends, repeats, excess)
            whole.run(pictures, pool)
            if self._moved(pictures, lit, chain, path):
                found = self._path(lit, response)
                if found is not None:
                    return self._decode_along(found)
            judge_by_neighbours(
                pictures, whole.freedom, pool, partial(displaced_cells, self.photos, repeats, chain.light_of_code)
            )
            steps = (self._layouts[0].steps, self._layouts[1].steps)
            passed = decode_from_the_rest(pictures, self.photos, self._frames, chain, steps, whole.freedom)
            moved_share = share_that_moved(pictures)
            folds = find_folds(pictures, lit)
            # a shadow fades stripes, too
            whole_view = np.asarray(pictures.reason == Reason.OK) & (True if passed is None else ~passed.where)
            smear = find_smear(gauge, self.photos, whole_view, sample)
            for verdict in (folds, smear):
                if verdict.verdict is not None:
                    take_out(pictures, verdict.verdict, pool)
            black, white = (self.photos[end] for end in self._ends)
            widen_at_edges(pictures, (black, white), chain.light_of_code)
            shown = measure_modulation(
                self.photos, self._layouts, chain, black=self._ends[0], u_px=pictures.u_px, v_px=pictures.v_px
            )
        told = "; ".join(found.text for found in (folds, smear) if found.text)
        decoded = _decoded(pictures, chain, whole.freedom, moved_share, told, shown)
        corrected = () if path is None else (path.in_words(self._modelled_labels),)
        recovered = () if passed is None else (passed.in_words(self._labels),)
        plaid = self._plaid(chain, pictures)
        return replace(
            decoded,
            corrected=corrected,
            recovered=recovered,
            plaid=plaid,
            path_px=0.0 if path is None else max(path.largest_px, path.jump_px),
            processing=(*seen.in_words(), *((_LOOSE,) if self._plaid_loose else ())),
            motion_sigma_px=self._unseen_px if path is None else path.sigma_px,
            noise_shares={} if excess is None else {"processing": _share_of(excess, decoded.valid)},
        )

    def _plaid(self, chain: SignalModel, pictures: Pictures) -> Codes | None:
        """The photograph of the picture of all zones, put where the stripes were seen.

        As it is where too little of it is lit by the scan's own zone alone to tell.
        """
        index = self._patterns.plaid
        if index is None:
            return None
        photo, table = self.photos[index], chain.light_of_code.astype(np.float32)
        light = table[photo]
        expected, alike = expected_plaid(
            self._patterns, light, table[self.photos[self._ends[0]]], (pictures.u_px, pictures.v_px, pictures.light)
        )
        placed = lay_over(expected, light, alike & (photo < self._full_scale))
        self._plaid_loose = placed is None
        if placed is None or not placed.alike or not placed.moved_by(_PLAID_MOVED_PX):
            return photo
        return moved_back(photo, placed.fields)

    def _check_order(self) -> None:
        """WrongPhotographs where some are not what their numbers say."""
        order = find_order(self.photos, self._patterns)
        if not order.right and order.certain:
            raise WrongPhotographs(order, self._labels)

    def _moved(self, pictures: Pictures, lit: NDArray[np.bool_], chain: SignalModel, path: CameraPath | None) -> bool:
        """Is it worth looking for the camera's path? MeasurementError if one was taken out and motion is left."""
        shift_px, sigma_px = shift_between_repeats(
            self.photos,
            self._layouts,
            self._patterns.repeats(),
            chain.light_of_code,
            (pictures.u_px, pictures.v_px, pictures.light),
        )
        if path is not None:
            if not shift_px < max(_LEFT_PX, _MOVED_SIGMAS * sigma_px):
                raise moved_error(path, self._modelled_labels)
            return False
        apart = [again - first for first, again in self._patterns.repeats()]
        if np.isfinite(shift_px):
            self._unseen_px = _HALF_WAY * shift_px * len(self.photos) / float(np.mean(apart))
        few = np.count_nonzero(lit & (pictures.reason == Reason.OK)) < _HARDLY * np.count_nonzero(lit)
        return bool(few or shift_px > max(_MOVED_PX, _MOVED_SIGMAS * sigma_px))

    def _path(self, lit: NDArray[np.bool_], response: Response) -> CameraPath | None:
        seen = look(self.photos, lit, self._frames, self._layouts, response.table())
        return None if seen is None else find_path(seen, self._frames)

    def _go_on_with(self, photos: list[Codes]) -> None:
        """With photographs that were put right."""
        self.photos, self._grey = photos, None

    def _told_by_grey(self, usable: NDArray[np.bool_]) -> _Grey:
        """What the uniform frames say of the photographs as they are."""
        if self._grey is None:
            self._grey = _Grey(response=self._response(self.photos, usable), lit=self._bright(usable))
        return self._grey

    def _bright(self, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Usable pixels that the projector lights: where daylight grows, white exceeds black everywhere else, too."""
        black, white = (self.photos[i] for i in self._ends)
        contrast = cv2.subtract(white, black)
        return usable & (contrast > _BRIGHT * np.quantile(contrast[usable][::_THIN], 0.95))

    def _decode_along(self, path: CameraPath) -> Decoded:
        """Decode the photographs with each put where the first one is."""
        if not path.certain:
            raise moved_error(path, self._modelled_labels)
        every = np.arange(len(self.photos))
        fields = np.stack([np.interp(every, self._frames.index, column) for column in path.fields.T], axis=-1)
        with ThreadPoolExecutor(THREADS) as pool:
            self._go_on_with(list(pool.map(moved_back, self.photos, fields)))
        return self._finish(first_look(*(self.photos[end] for end in self._ends)), path)

    def _response(self, photos: Sequence[Codes], usable: NDArray[np.bool_]) -> Response:
        found = self._finder.by_levels(photos, usable)
        return self._finder.by_stripes(found, photos, usable, lambda: self._bright(usable))

    @property
    def _finder(self) -> ResponseFinder:
        return ResponseFinder(
            patterns=self._patterns,
            layouts=self._layouts,
            eight_bits=self._camera_scale <= EIGHT_BITS,
            followed=bool(self._followed),
        )

    def _processed(self, photos: Sequence[Codes], lit: NDArray[np.bool_], response: Response) -> Processing:
        """What the camera does to the photographs as it took them."""
        table = response.table()
        return find_processing(photos, lit, self._layouts, self._patterns.repeats(), table, self._ends)

    @property
    def _frames(self) -> Frames:
        return modelled_frames(self._layouts, self._patterns.level_indices(), self._patterns.repeats())

    @property
    def _modelled_labels(self) -> list[str]:
        return [self._labels[index] for index in self._frames.index]

    @property
    def _full_scale(self) -> int:
        return int(np.iinfo(self.photos[0].dtype).max)


def _gain(chain: SignalModel, first: Codes, again: Codes) -> float:
    """By what the second photograph of a frame is to be multiplied: lamps drift."""
    before, after = chain.light_of_code[first], chain.light_of_code[again]
    bright = before > np.median(before)
    ratio = before[bright] / np.maximum(after[bright], 1e-6)
    return float(np.median(ratio)) if ratio.size else 1.0


def _share_of(excess: NDArray[np.float32], valid: NDArray[np.bool_]) -> float:
    """Of the usual variance, what is beyond the noise model's, given their ratio (H, W)."""
    return 1.0 - 1.0 / float(np.median(excess[valid])) if valid.any() else 0.0


def _decoded(
    pictures: Pictures, chain: SignalModel, freedom: int, moved_share: float, folded: str, modulation: Modulation
) -> Decoded:
    return Decoded(
        **{name: getattr(pictures, name) for name in _KEPT_PICTURES},
        response=chain.response,
        noise=chain.noise,
        harmonics={"x": chain.axes[0].error, "y": chain.axes[1].error},
        degrees_of_freedom=freedom,
        moved_share=moved_share,
        folded=folded,
        modulation=modulation,
        curve_sigma_px=max(axis.curve_px for axis in chain.axes),
    )
