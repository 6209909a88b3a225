"""From photographs of the patterns to the projector position that each camera pixel sees."""

from rigwarp.decode.checks.modulation import Modulation
from rigwarp.decode.checks.sharpness import blur_from_stripes
from rigwarp.decode.decoded import CurveWaves, Decoded, Reason, left_px
from rigwarp.decode.decoder import Decoder, decode, order_of
from rigwarp.decode.photographs.common_picture import lay_over
from rigwarp.decode.photographs.order import Order, find_order
from rigwarp.decode.photographs.shared_errors import shift_px
from rigwarp.decode.photographs.wrong_photographs import WrongPhotographs
from rigwarp.decode.signal.harmonics import HarmonicError
from rigwarp.decode.signal.noise import Noise, estimate_noise
from rigwarp.decode.signal.response import Response, estimate_response

__all__ = [
    "CurveWaves",
    "Decoded",
    "Decoder",
    "HarmonicError",
    "Modulation",
    "Noise",
    "Order",
    "Reason",
    "Response",
    "WrongPhotographs",
    "blur_from_stripes",
    "decode",
    "estimate_noise",
    "estimate_response",
    "find_order",
    "lay_over",
    "left_px",
    "order_of",
    "shift_px",
]
