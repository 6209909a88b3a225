"""The photographs of one exposure as they are decoded: put right where light, exposure or bands differ from one to the
next. What their uniform frames tell stands beside them."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.decode.checks.light_levels import usual_response
from rigwarp.decode.decoded import Decoded, Reason
from rigwarp.decode.photographs.bands import find_bands, without_bands
from rigwarp.decode.photographs.even_light import burnt_in_waves, even_out
from rigwarp.decode.photographs.level_change import LevelChange, find_change_of_levels
from rigwarp.decode.photographs.light_model import Frames, modelled_frames
from rigwarp.decode.photographs.own_light import LightCourse, light_differs, stripes_over_grey
from rigwarp.decode.photographs.places import look
from rigwarp.decode.photographs.processing import Processing, find_processing
from rigwarp.decode.pixels.camera_response import EIGHT_BITS, Codes, ResponseFinder
from rigwarp.decode.pixels.full_frame import THREADS
from rigwarp.decode.pixels.layout import axis_layout
from rigwarp.decode.pixels.refusals import exposure_error, light_error
from rigwarp.decode.signal.response import Response
from rigwarp.errors import InputError, MeasurementError
from rigwarp.patterns import PatternSet
from rigwarp.rig import decode_transfer

_THIN = 8  # of the rows and columns one is looked at for the mean light
_HALF_CODE, _MOST_OF_HALF = 0.5, 0.65  # half of white's code gives less than this share of its light on any projector
_MOST_OVER_GREY = 1.1  # stripes' swing over white minus black: 0.8 to 0.95 with other light, 1.15 and more if followed
_MOST_BURNT = 0.05  # of the lit pixels, where the exposure followed the picture: less is left out
_MOST_BANDS_LEFT = 0.4  # of bands that were taken out: else they are of another kind
_BRIGHT = 0.3  # of the usual contrast, in code values, of which added light makes a fifth


@dataclass(frozen=True, kw_only=True)
class Grey:
    """What the uniform frames tell: the response, and where (H, W) the projector lights what is usable."""

    response: Response
    lit: NDArray[np.bool_]


class ExposurePhotos:
    """The photographs of an exposure, called `labels`: taken one by one, then put right.

    Attributes
    ----------
    patterns, layouts : what was shown, and its stripes along x and y.
    ends : indices of black and white.
    photos : put right as far as that was asked for.
    processing : what the camera does to its pictures; None before `put_right`.
    """

    def __init__(self, patterns: PatternSet, labels: Sequence[str]) -> None:
        self.patterns, self.labels = patterns, labels
        self.layouts = (axis_layout(patterns, "x"), axis_layout(patterns, "y"))
        levels = patterns.level_indices()
        if len(levels) < 2:
            raise InputError("patterns.json: fewer than two uniform grey frames. Export the patterns again.")
        self.ends = (levels[min(levels)], levels[max(levels)])
        self.photos: list[Codes] = []
        self.processing: Processing | None = None
        self._camera_scale = 0  # the largest code of the photographs as they were taken
        self._followed = 0.0  # by what factor the exposure followed the picture: then grey frames tell nothing
        self._grey: Grey | None = None  # of the photographs as they are
        self._light: LightCourse | None = None  # that was evened out, and ...
        self._bands_px = 0.0  # ... what bands that were taken out left of positions

    def add(self, photo: Codes) -> None:
        """The photograph of the next frame."""
        self._camera_scale = int(np.iinfo(photo.dtype).max)
        self.photos.append(np.ascontiguousarray(photo))

    def look_at_levels(self, usable: NDArray[np.bool_]) -> tuple[Grey, LevelChange | None]:
        """What can be told as soon as the uniform frames are there; `usable` (H, W): neither dark nor burnt."""
        levels = sorted(self.patterns.level_indices().values())
        grey = Grey(response=self._finder.by_levels(self.photos, usable), lit=self._bright(usable))
        return grey, find_change_of_levels([self.photos[n] for n in levels])

    def put_right(self, reason: NDArray[np.uint8], early: tuple[Grey, LevelChange | None]) -> None:
        """Even the light out and take bands out; MeasurementError where that cannot be done.

        Pixels that burn out in the stripes are left out of `reason` (H, W); `early` is by `look_at_levels`.
        """
        grey, change = early
        response = self._finder.by_stripes(grey.response, self.photos, reason == Reason.OK, lambda: grey.lit)
        self._grey = replace(grey, response=response)
        self._check_exposure(reason)
        self._light = self._even_out(reason == Reason.OK, change)
        self._bands_px = self._take_out_bands(reason == Reason.OK)

    def noted(self, decoded: Decoded) -> Decoded:
        """What was decoded with what had been put right before; photographs that were have 16 bits by now."""
        decoded = replace(decoded, response=replace(decoded.response, full_scale=self._camera_scale))
        if self._bands_px:
            decoded = replace(decoded, bands_sigma_px=self._bands_px)
        if self._followed:
            decoded = replace(decoded, modulation=None, corrected=(self._exposure_in_words(), *decoded.corrected))
        if self._light is None:
            return decoded
        return replace(
            decoded,
            corrected=(self._light.in_words(self.labels), *decoded.corrected),
            light_sigma_px=self._light.sigma_px,
        )

    def _check_exposure(self, reason: NDArray[np.uint8]) -> None:
        """Whether the exposure followed the picture; if so, pixels that burn out in the stripes are left out of
        `reason`. MeasurementError where these are many."""
        usable = reason == Reason.OK
        share = float(self.told_by_grey(usable).response.projector_light(np.array(_HALF_CODE)))
        if share <= _MOST_OF_HALF:
            return
        burnt = usable & burnt_in_waves(self.photos, self.frames)
        if np.count_nonzero(burnt) > _MOST_BURNT * np.count_nonzero(usable):
            much = np.count_nonzero(burnt) / np.count_nonzero(usable)
            raise exposure_error(share, f"{100 * much:.0f} % of the lit picture is burnt out in the stripes")
        reason[burnt] = Reason.SATURATED
        self._followed = share / float(decode_transfer(np.array(_HALF_CODE), self.patterns.transfer))
        self._grey = None

    def _exposure_in_words(self) -> str:
        return (
            "the camera's exposure (or the projector's brightness) followed the picture: grey of half of white's code "
            f"was taken {self._followed:.1f} times as bright. The camera's response was taken as usual and put right "
            "by the stripes; whether there is ripple finer than the beam is not told. Switch automatic exposure (and "
            "dynamic contrast) off"
        )

    def _even_out(self, usable: NDArray[np.bool_], change: LevelChange | None) -> LightCourse | None:
        """Put photographs of other light right; MeasurementError where that cannot be done."""
        grey, taken = self.told_by_grey(usable), self.photos
        response, lit = grey.response, grey.lit
        if change is not None and not self._followed:
            if abs(change.added) <= change.roundable:
                self.processing = self._processed(taken, lit, response)
            if self.processing is None or not self.processing.compressed:
                raise self._change_refused(change, grey)
        thin = (slice(None, None, _THIN), slice(None, None, _THIN))
        light = response.table()[np.stack([taken[index][thin][lit[thin]] for index in self.frames.index])]
        if not light_differs(light, self.frames):
            return None
        found = even_out(
            taken,
            lit,
            self.frames,
            self.layouts,
            response,
            lambda photos: replace(self._response(photos, usable), full_scale=self._camera_scale),
            self.labels,
        )
        if found is None:
            return None
        photos, course = found
        self.go_on_with(photos)
        self.processing = self._processed(taken, lit, response)  # of the photographs as they were taken
        return course

    def _change_refused(self, change: LevelChange, grey: Grey) -> MeasurementError:
        """Of grey levels that changed: an exposure that follows the picture changes them, too, and the stripes more."""
        lit = grey.lit[::_THIN, ::_THIN]
        seen = np.stack([self.photos[index][::_THIN, ::_THIN][lit] for index in self.frames.index])
        over = stripes_over_grey(usual_response(self.full_scale)[seen], self.frames)
        if over > _MOST_OVER_GREY:
            share = float(grey.response.projector_light(np.array(_HALF_CODE)))
            return exposure_error(share, f"stripes vary {over:.1f} times as much as black and white let them")
        levels = sorted(self.patterns.level_indices().values())
        return light_error(change, [self.labels[index] for index in levels])

    def _take_out_bands(self, usable: NDArray[np.bool_]) -> float:
        """Take bands out of the photographs; what they leave of positions, projector pixels, 0 where there are none."""
        grey = self.told_by_grey(usable)
        response, lit = grey.response, grey.lit
        if self.processing is None:
            self.processing = self._processed(self.photos, lit, response)
        before = self.processing
        if not before.bands:
            return 0.0
        seen = look(self.photos, lit, self.frames, self.layouts, response.table())
        if seen is None:
            return 0.0
        bands = find_bands(seen, self.frames, usable.shape, before.band_rows)
        with ThreadPoolExecutor(THREADS) as pool:
            photos = without_bands(self.photos, bands, self.ends[0], response, pool)
        if self._processed(photos, lit, self._response(photos, usable)).bands > _MOST_BANDS_LEFT * before.bands:
            return 0.0
        self.go_on_with(list(photos))
        self.processing = replace(before, bands_out=True, band_rows=bands.period_rows)
        return bands.sigma_px

    def go_on_with(self, photos: list[Codes]) -> None:
        """With photographs that were put right."""
        self.photos, self._grey = photos, None

    def told_by_grey(self, usable: NDArray[np.bool_]) -> Grey:
        """What the uniform frames say of the photographs as they are."""
        if self._grey is None:
            self._grey = Grey(response=self._response(self.photos, usable), lit=self._bright(usable))
        return self._grey

    def telling(self, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Usable pixels (H, W) that tell of the chain: those that the projector lights alone, where others mislead.

        Once light was evened out, dim pixels are as likely lit by what was added. Where most are dim, it is a display's
        glow on the table beside it.
        """
        lit = self.told_by_grey(usable).lit
        mostly_glow = 2 * np.count_nonzero(lit) < np.count_nonzero(usable)
        return lit if mostly_glow or self._light is not None else usable

    def _bright(self, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Usable pixels that the projector lights: where daylight grows, white exceeds black everywhere else, too."""
        black, white = (self.photos[i] for i in self.ends)
        contrast = cv2.subtract(white, black)
        return usable & (contrast > _BRIGHT * np.quantile(contrast[usable][::_THIN], 0.95))

    def _response(self, photos: Sequence[Codes], usable: NDArray[np.bool_]) -> Response:
        found = self._finder.by_levels(photos, usable)
        return self._finder.by_stripes(found, photos, usable, lambda: self._bright(usable))

    @property
    def _finder(self) -> ResponseFinder:
        return ResponseFinder(
            patterns=self.patterns,
            layouts=self.layouts,
            eight_bits=self._camera_scale <= EIGHT_BITS,
            followed=bool(self._followed),
        )

    def _processed(self, photos: Sequence[Codes], lit: NDArray[np.bool_], response: Response) -> Processing:
        """What the camera does to the photographs as it took them."""
        table = response.table()
        return find_processing(photos, lit, self.layouts, self.patterns.repeats(), table, self.ends)

    @property
    def frames(self) -> Frames:
        """Those that the model of light explains."""
        return modelled_frames(self.layouts, self.patterns.level_indices(), self.patterns.repeats())

    @property
    def full_scale(self) -> int:
        """The largest code of the photographs as they are."""
        return int(np.iinfo(self.photos[0].dtype).max)
