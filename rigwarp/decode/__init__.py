"""From photographs of the patterns to the projector position that each camera pixel sees."""

from rigwarp.decode.decoded import Decoded, Reason
from rigwarp.decode.decoder import Decoder, decode
from rigwarp.decode.harmonics import HarmonicError
from rigwarp.decode.noise import Noise, estimate_noise
from rigwarp.decode.response import Response, estimate_response

__all__ = [
    "Decoded",
    "Decoder",
    "HarmonicError",
    "Noise",
    "Reason",
    "Response",
    "decode",
    "estimate_noise",
    "estimate_response",
]
