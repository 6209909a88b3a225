"""The virtual bench: a display and a camera, and a seat into which pieces are laid one after the other."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import InputError
from rigwarp.geometry import Array
from rigwarp.rig import decode_transfer, encode_transfer
from rigwarp.simulation.samples.transport import PER_PIXEL, Transport, build_transport, screen_shape
from rigwarp.simulation.samples.truth import BenchTruth, Piece, turned_by_90

Mishap = Literal["missing", "film on", "upside down", "camera bumped", "seat moved", "overexposed"]

_CAMERA_COLOURS = np.array([0.3, 0.5, 0.2])  # what a grey sensor makes of red, green and blue light
_CELLS = 8.0  # 1-sigma of wide spreads, on the coarse picture that they are worked out on: a third made 1 % of veil
_GLARE_REACH = 0.2  # 1-sigma of the camera's own glare, as a share of the picture's width
_BUMP_PX = np.array([6.0, 3.0])
_SEAT_MOVED_RAD = np.radians(2.0)
_FILM_RAD = 0.02
_CODES = 65536
_KEPT_PIECES = 2  # whose pictures on the screen are kept: the reference and one sample, 90 MB each on a small bench
_NARROW = 0.8
_PAINT = 0.05  # what the back of a mirror reflects


@dataclass(frozen=True, kw_only=True)
class _Seated:
    """What lies in the seat: its transport (None: nothing), itself, and where its picture is moved, mm."""

    transport: Transport | None
    piece: Piece
    offset_mm: Array


class VirtualSampleBench:
    """A bench of `truth`; every chance comes from `seed`.

    `resolution` and `camera_resolution` are (width, height) of the projector's picture and of the photographs.
    """

    unlocked: tuple[str, ...] = ()
    exposure_s: float | None = None

    def __init__(self, truth: BenchTruth, *, seed: int = 0) -> None:
        self._truth = truth
        self.resolution, self.camera_resolution = truth.resolution, truth.camera_resolution
        self._random = np.random.default_rng(seed)
        self._known: dict[tuple[str, bytes], Transport] = {}
        self._clock_s = 0.0
        self._screens: dict[str, dict[int, NDArray[np.float32]]] = {}
        self._seated: _Seated | None = None
        self._bump = np.zeros(2)
        self._exposure = 1.0
        light = np.linspace(0.0, 1.0, _CODES)
        self._codes = np.rint(255.0 * encode_transfer(light, "srgb")).astype(np.uint8)
        self._light_of_code = decode_transfer(np.arange(256) / 255.0, truth.gamma)
        self._texture: NDArray[np.float32] | None = None
        self._pattern: NDArray[np.uint8] = np.zeros((1, 1), np.uint8)

    def seat(self, name: str, *, turned: bool = False, mishaps: Sequence[Mishap] = ()) -> None:
        """Lay a piece into the seat anew, `turned` by 90 degrees; tilt, height and place differ a little every time.

        Raises
        ------
        InputError
            There is no such piece.
        """
        truth = self._truth
        if name not in truth.pieces:
            raise InputError(
                f'the virtual bench has no piece "{name}", expected one of: {", ".join(truth.pieces)}. '
                "Take one of these names."
            )
        self._clock_s += truth.reseat_s
        piece = turned_by_90(truth.pieces[name]) if turned else truth.pieces[name]
        piece = self._spoilt(piece, mishaps)
        shift = truth.shift_mm * self._random.standard_normal(2) + 0.0  # -0 would be another place
        tilt = truth.tilt_mrad / 1000.0 * self._random.standard_normal(2)
        piston = truth.piston_mm * float(self._random.standard_normal())
        offset = 2.0 * truth.far_mm * tilt * [1.0, np.cos(truth.angle_rad)]
        offset[0] += 2.0 * piston * np.sin(truth.angle_rad)
        offset[0] += 2.0 * truth.far_mm * _SEAT_MOVED_RAD if "seat moved" in mishaps else 0.0
        if "camera bumped" in mishaps:
            self._bump, self._texture = _BUMP_PX, None
        self._exposure = 1.6 if "overexposed" in mishaps else 1.0
        transport = None if "missing" in mishaps else self._transport(piece, shift)
        self._seated = _Seated(transport=transport, piece=piece, offset_mm=offset)
        if np.any(shift):
            self._screens.clear()  # none of them comes again

    def show(self, frame: NDArray[np.uint8]) -> None:
        """Show a (H, W) grey or (H, W, 3) RGB picture."""
        self._pattern = frame

    def grab(self) -> NDArray[np.uint8]:
        """Photograph the screen: (H, W) grey, 8 bit."""
        truth = self._truth
        self._clock_s += truth.photo_s
        light = self._on_camera(self._kept_screen())
        well = truth.full_well_e
        light = light * np.float32(self._exposure / truth.full_reflectance * self._lamp())
        variance = np.maximum(light, 0.0) / well + (truth.read_noise_e / well) ** 2
        light += self._random.standard_normal(light.shape, dtype=np.float32) * np.sqrt(np.asarray(variance, np.float32))
        place = np.clip(light * np.float32(_CODES - 1) + np.float32(0.5), 0, _CODES - 1).astype(np.int32)
        return np.asarray(self._codes[place])

    look = grab

    def set_exposure(self, seconds: float) -> float | None:
        """The exposure is fixed."""
        return None

    def close(self) -> None:
        """Nothing to give back."""

    def _lamp(self) -> float:
        truth, t = self._truth, self._clock_s
        return 1.0 + truth.drift_per_s * t - truth.warming_share * float(np.exp(-t / truth.warming_s))

    def _spoilt(self, piece: Piece, mishaps: Sequence[Mishap]) -> Piece:
        if "film on" in mishaps:
            core = np.hypot(piece.core_rad, _FILM_RAD)
            dimmed = (0.8 * piece.covered[0], 0.8 * piece.covered[1], 0.8 * piece.covered[2])
            return replace(piece, core_rad=core, covered=dimmed, name=piece.name + " with its film")
        if "upside down" in mishaps:
            dull = (_PAINT, _PAINT, _PAINT)
            return replace(
                piece, thickness_mm=0.0, covered=dull, core_rad=np.full(2, _FILM_RAD), name=piece.name + " turned over"
            )
        return piece

    def _transport(self, piece: Piece, shift: Array) -> Transport:
        key = (piece.name, shift.tobytes())
        if key not in self._known:
            if np.any(shift):
                self._known.clear()  # it never comes again, and is large
            self._known[key] = build_transport(self._truth, piece, shift)
        return self._known[key]

    def _kept_screen(self) -> NDArray[np.float32]:
        """The light on the screen, as it was when the piece last lay in the seat: tilt and height only move it."""
        seated = self._seated
        if seated is None or seated.transport is None:
            return self._on_screen()
        kept = self._screens.pop(seated.piece.name, {})
        while len(self._screens) >= _KEPT_PIECES:
            self._screens.pop(next(iter(self._screens)))  # the one that has waited longest
        self._screens[seated.piece.name] = kept
        key = hash((self._pattern.shape, self._pattern.tobytes()))
        if key not in kept:
            kept[key] = self._on_screen()
        return kept[key]

    def _on_screen(self) -> NDArray[np.float32]:
        """Light on the screen's grid (rows, columns), 1 for white by a perfect mirror."""
        seated = self._seated
        if seated is None or seated.transport is None:
            return np.zeros((3, 3), np.float32)
        truth, piece = self._truth, seated.piece
        near, wide = self._core_and_tail(seated)
        sigma = np.hypot(piece.core_rad * truth.far_mm, truth.lens_blur_mm) * PER_PIXEL / truth.pixel_mm
        sharp = (_coarsely if max(sigma) > 4.0 * _CELLS else _gaussian)(near, sigma)
        sharp += _coarsely(wide, piece.tail_rad * truth.far_mm * PER_PIXEL / truth.pixel_mm)
        # a pixel's light is spread over PER_PIXEL^2 points; light that comes back lights the screen evenly
        sharp *= np.float32(PER_PIXEL**2)
        sharp += np.float32(truth.stray_share * float(sharp.mean()))
        return sharp

    def _core_and_tail(self, seated: _Seated) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Light on the screen's grid before it is spread: by the beam's core, and widely."""
        truth, transport = self._truth, seated.transport
        assert transport is not None
        u, v = transport.pixels
        black = truth.black_share
        light = black + (1.0 - black) * self._light_of_code[self._pattern[v, u]]
        tail = self._tail_shares(seated.piece)
        near = wide = np.zeros(transport.shape[0] * transport.shape[1], np.float32)
        for beam, matrix in transport.matrices.items():
            weights = transport.weights[beam] * _CAMERA_COLOURS[:, None]
            if light.ndim == 1:
                sent = light * ((1.0 - tail) @ weights), light * (tail @ weights)
            else:
                sent = (
                    np.einsum("nc,cn->n", light * (1.0 - tail), weights),
                    np.einsum("nc,cn->n", light * tail, weights),
                )
            near = near + matrix @ sent[0].astype(np.float32)
            if beam == "main":  # companions are near enough for what is spread widely
                wide = matrix @ (sent[1] * _all_beams(transport, tail)).astype(np.float32)
        return near.reshape(transport.shape), wide.reshape(transport.shape)

    def _tail_shares(self, piece: Piece) -> Array:
        waves = np.array(self._truth.wavelengths_nm)
        phase = 4.0 * np.pi * piece.roughness_nm * np.cos(self._truth.angle_rad) / waves
        return piece.tail_share + (1.0 - piece.tail_share) * (1.0 - np.exp(-(phase**2)))

    def _textured(self) -> NDArray[np.float32]:
        """The screen's own unevenness as the camera sees it: a mirror's tilt moves the light, and not the screen."""
        if self._texture is None:
            rows, columns = screen_shape(self._truth)
            rough = np.random.default_rng(7).standard_normal((rows // 3 + 1, columns // 3 + 1)).astype(np.float32)
            smooth = np.asarray(cv2.resize(rough, (columns, rows), interpolation=cv2.INTER_CUBIC), np.float32)
            uneven = self._seen(smooth, np.zeros(2), cv2.BORDER_REFLECT)
            self._texture = np.float32(1.0) + np.float32(self._truth.texture) * uneven
        return self._texture

    def _seen(self, screen: NDArray[np.float32], offset_mm: Array, border: int) -> NDArray[np.float32]:
        """A picture on the screen, moved by an offset, where the camera sees it."""
        truth = self._truth
        wide, high = truth.camera_resolution
        turn, step = truth.camera_turn_rad, PER_PIXEL / truth.camera_px
        matrix = step * np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        middle = np.array([(wide - 1) / 2.0, (high - 1) / 2.0]) + self._bump
        start = (np.array(screen.shape[::-1]) - 1) / 2.0 - offset_mm * PER_PIXEL / truth.pixel_mm - matrix @ middle
        warp = np.column_stack([matrix, start])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpAffine(screen, warp, (wide, high), flags=flags, borderMode=border), np.float32)

    def _on_camera(self, screen: NDArray[np.float32]) -> NDArray[np.float32]:
        truth = self._truth
        wide, high = truth.camera_resolution
        offset = self._seated.offset_mm if self._seated is not None else np.zeros(2)
        seen = self._seen(screen, offset, cv2.BORDER_CONSTANT) * self._textured()
        if truth.camera_blur_px > 0.0:
            blur = truth.camera_blur_px
            seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), blur, borderType=cv2.BORDER_REPLICATE), np.float32)
        glare = truth.glare_share
        if glare > 0.0:
            wider = _coarsely(np.asarray(seen, np.float32), np.full(2, _GLARE_REACH * wide))
            seen = np.float32(1.0 - glare) * seen + np.float32(glare) * wider
        x, y = (np.linspace(-1.0, 1.0, n, dtype=np.float32) ** 2 for n in (wide, high))
        return np.asarray(seen * (1.0 - np.float32(truth.vignetting / 2.0) * (x + y[:, None])), np.float32)


def _all_beams(transport: Transport, tail: Array) -> float:
    """Light of all beams over that of the main one."""
    sums = {beam: float(np.sum(tail @ weights)) for beam, weights in transport.weights.items()}
    return sum(sums.values()) / max(sums["main"], 1e-300)


def _gaussian(light: NDArray[np.float32], sigma: Array) -> NDArray[np.float32]:
    """Spread with a normal kernel; from nothing beside the picture."""
    kernels = [_kernel(float(s)) for s in sigma]
    return np.asarray(cv2.sepFilter2D(light, -1, kernels[0], kernels[1], borderType=cv2.BORDER_CONSTANT), np.float32)


def _kernel(sigma: float) -> NDArray[np.float32]:
    """Samples of a normal curve; a narrow one would lose moments that way, and gets seven values that have them."""
    if sigma < _NARROW:
        # moments sigma^2, 3 sigma^4 and 15 sigma^6: stripes of eight points and more are spread as by the curve itself
        steps = np.arange(1.0, 4.0)
        side = np.linalg.solve(2.0 * steps ** [[2], [4], [6]], [sigma**2, 3.0 * sigma**4, 15.0 * sigma**6])
        return np.asarray([*side[::-1], 1.0 - 2.0 * side.sum(), *side], np.float32)
    return np.asarray(cv2.getGaussianKernel(2 * int(np.ceil(4.5 * sigma)) + 1, sigma, cv2.CV_32F), np.float32)


def _coarsely(light: NDArray[np.float32], sigma: Array) -> NDArray[np.float32]:
    """Wide spread: exactly kernelled on a coarse grid, whose own averaging is taken off the kernel."""
    rows, columns = light.shape
    step = max(int(float(np.min(sigma)) / _CELLS), 1)
    high, wide = -(-rows // step), -(-columns // step)
    padded = cv2.copyMakeBorder(light, 0, high * step - rows, 0, wide * step - columns, cv2.BORDER_CONSTANT, value=0.0)
    small = np.asarray(cv2.resize(padded, (wide, high), interpolation=cv2.INTER_AREA), np.float32)
    # the mean over a cell and the straight lines between cells spread by 1/12 and 1/6 of a cell's square
    left = np.sqrt(np.maximum((sigma / step) ** 2 - 0.25, 0.01))
    spread = cv2.resize(_gaussian(small, left), (wide * step, high * step), interpolation=cv2.INTER_LINEAR)
    return np.asarray(spread[:rows, :columns], np.float32)
