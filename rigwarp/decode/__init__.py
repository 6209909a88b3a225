"""From photographs of the patterns to the projector position that each camera pixel sees."""

from rigwarp.decode.decoder import Decoded, Reason, decode
from rigwarp.decode.harmonics import HarmonicError
from rigwarp.decode.noise import Noise, estimate_noise
from rigwarp.decode.response import Response, estimate_response

__all__ = ["Decoded", "HarmonicError", "Noise", "Reason", "Response", "decode", "estimate_noise", "estimate_response"]
