"""Decoding one exposure of a pattern set."""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.modulation import Modulation, measure_modulation
from rigwarp.decode.decoded import Decoded, Reason
from rigwarp.decode.photographs.bands import band_pictures
from rigwarp.decode.photographs.common_picture import expected_plaid, lay_over
from rigwarp.decode.photographs.early_jump import find_early_jump
from rigwarp.decode.photographs.level_change import LevelChange
from rigwarp.decode.photographs.motion import CameraPath, find_path, moved_back
from rigwarp.decode.photographs.order import find_order
from rigwarp.decode.photographs.places import look
from rigwarp.decode.photographs.processing import uneven_noise
from rigwarp.decode.photographs.repeats import displaced_cells, shift_between_repeats
from rigwarp.decode.photographs.wrong_photographs import WrongPhotographs
from rigwarp.decode.pixels.camera_response import Codes, pixel_sample
from rigwarp.decode.pixels.edges_of_light import widen_at_edges
from rigwarp.decode.pixels.exposure_photos import ExposurePhotos, Grey
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
from rigwarp.decode.pixels.neighbours import judge_by_neighbours, take_out
from rigwarp.decode.pixels.passers_by import decode_from_the_rest
from rigwarp.decode.pixels.refusals import (
    check_waves,
    moved_error,
    share_that_moved,
    with_doubt,
)
from rigwarp.decode.pixels.smear import SmearGauge, find_smear
from rigwarp.decode.signal.position import position_table
from rigwarp.decode.signal.response import Response
from rigwarp.decode.signal.signal_model import SignalModel, learn_signal_model
from rigwarp.errors import MeasurementError
from rigwarp.patterns import PatternSet

_MOVED_PX, _MOVED_SIGMAS = 0.012, 6.0  # camera pixels between frames and their repeats: less changes nothing
_LEFT_PX = 0.03  # of them once the camera's way is taken out
_PLAID_MOVED_PX = 0.03  # camera pixels between the plaid and the stripes after it: less is seen by light on two paths
_HALF_WAY = 0.5  # of a way that goes on all through a scan: there the picture is on average
_HARDLY = 0.5  # of the pixels that are lit decode
_KEPT_PICTURES = ("u_px", "v_px", "sigma_u_px", "sigma_v_px", "reason", "light", "chi2")
_LOOSE = (
    "hardly anything is lit by this zone alone, so that the picture that all zones show together cannot be compared "
    "with this scan's own stripes; a camera that moved right after that picture would go unseen. Fix it well"
)


class ExposureDecoder:
    """Takes the photographs of one exposure one by one, called `labels`, and decodes them after the last."""

    def __init__(self, patterns: PatternSet, labels: Sequence[str]) -> None:
        self._exposure = ExposurePhotos(patterns, labels)
        self._plaid_loose = False  # it cannot be laid over the scan's own stripes
        self._unseen_px = 0.0  # motion too small to be looked for, as a 1-sigma of places
        self._reason: NDArray[np.uint8] | None = None  # of each pixel, as far as black and white tell
        self._early: Future[tuple[Grey, LevelChange | None]] | None = None  # worked out while stripes are shown
        self._no_answers: Future[list[Single]] | None = None  # made then, too, for the first of the attempts
        for layout in self._exposure.layouts:
            if not layout.bits:
                position_table(layout.periods_px, layout.extent_px)  # made while nobody waits

    def add(self, photo: Codes) -> None:
        """The photograph of the next frame, of the same size and type as the first; MeasurementError as `decode`."""
        index = len(self._exposure.photos)
        self._exposure.add(photo)
        if index == max(self._exposure.ends):
            black, white = (self._exposure.photos[end] for end in self._exposure.ends)
            self._reason = first_look(black, white)
            check_lit(self._reason, black, white, [self._exposure.labels[end] for end in self._exposure.ends])
        if index == max(self._exposure.patterns.level_indices().values()):
            pool = ThreadPoolExecutor(1)
            assert self._reason is not None, "black and white are among them"
            self._early = pool.submit(self._exposure.look_at_levels, self._reason == Reason.OK)
            # what a new array costs is touching its memory first: at 24 megapixels a second of a slow core
            self._no_answers = pool.submit(no_answers, photo.shape)
            pool.shutdown(wait=False)

    def finish(self) -> Decoded:
        """Decode; MeasurementError as `decode`."""
        assert self._reason is not None, "finish comes after all photographs"
        assert self._early is not None, "the grey frames are among them"
        unlike = self._check_order()
        try:
            self._exposure.put_right(self._reason, self._early.result())
            return self._exposure.noted(self._finish(self._reason, None))
        except MeasurementError as error:
            if not unlike:
                raise
            raise with_doubt(error, unlike, self._exposure.labels) from error

    @property
    def photos(self) -> list[Codes]:
        """The photographs so far."""
        return self._exposure.photos

    def _finish(self, reason: NDArray[np.uint8], path: CameraPath | None) -> Decoded:
        """Decode photographs that may have been put back by a camera's path."""
        usable, exposure = reason == Reason.OK, self._exposure
        photos, layouts, ends, repeats = exposure.photos, exposure.layouts, exposure.ends, exposure.patterns.repeats()
        grey = exposure.told_by_grey(usable)
        response, lit = grey.response, grey.lit
        with ThreadPoolExecutor(THREADS) as pool:
            made, self._no_answers = self._no_answers, None
            values = no_answers(reason.shape) if made is None else made.result()
            pictures = new_pictures(reason.copy(), values, repeats=bool(repeats))
            sample = pixel_sample(photos, exposure.telling(usable), shown_frames(layouts))
            chain = learn_signal_model(sample, layouts, response, ends, repeats, pool)
            check_waves(sample, layouts, chain, ends)
            low, high = exposure.patterns.light_range
            gauge = SmearGauge(layouts=layouts, chain=chain, ends=ends, swing=high - low)
            with_gain = [(a, b, _gain(chain, sample[a], sample[b])) for a, b in repeats]
            seen = exposure.processing
            assert seen is not None, "told before photographs are put right, which smooths them"
            excess = None
            if seen.uneven:
                unseen = seen.compressed or seen.smoothed
                excess = uneven_noise(photos, layouts, chain, ends, unseen=unseen)
            whole = FullFrame(photos, layouts, chain, ends, with_gain, excess)
            whole.run(pictures, pool)
            if self._moved(pictures, lit, chain, path):
                found = self._path(lit, response)
                if found is not None:
                    return self._decode_along(found)
            early = None if path else find_early_jump(photos, exposure.frames, chain.light_of_code)
            if early is not None and (early.certain or not self._told_by_plaid(early)):
                return self._decode_along(early)
            judge_by_neighbours(
                pictures, whole.freedom, pool, partial(displaced_cells, photos, with_gain, chain.light_of_code)
            )
            passed = decode_from_the_rest(pictures, photos, exposure.frames, chain, whole.freedom)
            moved_share = share_that_moved(pictures)
            folds = find_folds(pictures, lit)
            # a shadow fades stripes, too
            whole_view = np.asarray(pictures.reason == Reason.OK) & (True if passed is None else ~passed.where)
            smear = find_smear(gauge, photos, whole_view, sample)
            for verdict in (folds, smear):
                if verdict.verdict is not None:
                    take_out(pictures, verdict.verdict, pool)
            black, white = (photos[end] for end in ends)
            widen_at_edges(pictures, (black, white), chain.light_of_code)
            shown = measure_modulation(photos, layouts, chain, black=ends[0], u_px=pictures.u_px, v_px=pictures.v_px)
        told = "; ".join(found.text for found in (folds, smear) if found.text)
        decoded = _decoded(pictures, chain, whole.freedom, moved_share, told, shown)
        corrected = () if path is None else (path.in_words(self._modelled_labels),)
        recovered = () if passed is None else (passed.in_words(exposure.labels),)
        plaid = self._plaid(chain, pictures)
        return replace(
            decoded,
            corrected=corrected,
            recovered=recovered,
            plaid=plaid,
            band_rows=seen.band_rows,
            path_px=0.0 if path is None else max(path.largest_px, path.jump_px),
            processing=(*seen.in_words(), *((_LOOSE,) if self._plaid_loose else ())),
            motion_sigma_px=self._unseen_px if path is None else path.sigma_px,
            noise_shares={} if excess is None else {"processing": _share_of(excess, decoded.valid)},
        )

    def _plaid(self, chain: SignalModel, pictures: Pictures) -> Codes | None:
        """The photograph of the picture of all zones, put where the stripes were seen.

        As it is where too little of it is lit by the scan's own zone alone to tell.
        """
        exposure = self._exposure
        index = exposure.patterns.plaid
        if index is None:
            return None
        photo, table = exposure.photos[index], chain.light_of_code.astype(np.float32)
        light, black = table[photo], table[exposure.photos[exposure.ends[0]]]
        expected, alike = expected_plaid(
            exposure.patterns, light, black, (pictures.u_px, pictures.v_px, pictures.light)
        )
        assert exposure.processing is not None, "told before"
        beside = band_pictures(expected, exposure.processing.band_rows)
        placed = lay_over(expected, light, alike & (photo < exposure.full_scale), beside)
        self._plaid_loose = placed is None
        if placed is None or not placed.alike or not placed.moved_by(_PLAID_MOVED_PX):
            return photo
        return moved_back(photo, placed.fields)

    def _check_order(self) -> tuple[int, ...]:
        """WrongPhotographs where some are not what their numbers say; those of which it is not known what they are."""
        order = find_order(self._exposure.photos, self._exposure.patterns)
        if not order.right and order.certain:
            raise WrongPhotographs(order, self._exposure.labels)
        return order.unlike

    def _moved(self, pictures: Pictures, lit: NDArray[np.bool_], chain: SignalModel, path: CameraPath | None) -> bool:
        """Is it worth looking for the camera's path? MeasurementError if one was taken out and motion is left."""
        shift_px, sigma_px = shift_between_repeats(
            self._exposure.photos,
            self._exposure.layouts,
            self._exposure.patterns.repeats(),
            chain.light_of_code,
            (pictures.u_px, pictures.v_px, pictures.light),
        )
        if path is not None:
            if not shift_px < max(_LEFT_PX, _MOVED_SIGMAS * sigma_px):
                raise moved_error(path, self._modelled_labels)
            return False
        apart = [again - first for first, again in self._exposure.patterns.repeats()]
        if np.isfinite(shift_px):
            self._unseen_px = _HALF_WAY * shift_px * len(self._exposure.photos) / float(np.mean(apart))
        few = np.count_nonzero(lit & (pictures.reason == Reason.OK)) < _HARDLY * np.count_nonzero(lit)
        return bool(few or shift_px > max(_MOVED_PX, _MOVED_SIGMAS * sigma_px))

    def _told_by_plaid(self, path: CameraPath) -> bool:
        """Is there a picture of all zones beside the jump, which tells it as well?"""
        plaid, index = self._exposure.patterns.plaid, self._exposure.frames.index
        return plaid is not None and path.jump is not None and bool(index[path.jump - 1] < plaid < index[path.jump])

    def _path(self, lit: NDArray[np.bool_], response: Response) -> CameraPath | None:
        seen = look(self._exposure.photos, lit, self._exposure.frames, self._exposure.layouts, response.table())
        return None if seen is None else find_path(seen, self._exposure.frames)

    def _decode_along(self, path: CameraPath) -> Decoded:
        """Decode the photographs with each put where the first one is."""
        if not path.certain:
            raise moved_error(path, self._modelled_labels)
        every = np.arange(len(self._exposure.photos))
        fields = np.stack([np.interp(every, self._exposure.frames.index, column) for column in path.fields.T], axis=-1)
        with ThreadPoolExecutor(THREADS) as pool:
            self._exposure.go_on_with(list(pool.map(moved_back, self._exposure.photos, fields)))
        return self._finish(first_look(*(self._exposure.photos[end] for end in self._exposure.ends)), path)

    @property
    def _modelled_labels(self) -> list[str]:
        return [self._exposure.labels[index] for index in self._exposure.frames.index]


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
