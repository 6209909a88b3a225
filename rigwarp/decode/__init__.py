"""From photographs of the patterns to the projector position that each camera pixel sees."""

from rigwarp.decode.decoded import Decoded, Reason
from rigwarp.decode.decoder import Decoder, decode
from rigwarp.decode.harmonics import HarmonicError
from rigwarp.decode.modulation import Modulation
from rigwarp.decode.noise import Noise, estimate_noise
from rigwarp.decode.response import Response, estimate_response
from rigwarp.decode.sharpness import blur_from_stripes

__all__ = [
    "Decoded",
    "Decoder",
    "HarmonicError",
    "Modulation",
    "Noise",
    "Reason",
    "Response",
    "blur_from_stripes",
    "decode",
    "estimate_noise",
    "estimate_response",
]
