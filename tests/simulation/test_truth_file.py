"""virtual.toml: values read in their units, mistakes named with their path."""

import numpy as np
import pytest

from rigwarp.errors import InputError
from rigwarp.simulation import parse_truth

START = 'format = "rigwarp virtual rig"\nversion = 1\n'
CAMERA = "[camera]\nposition_mm = [0, 0, 900]\naim_mm = [0, 0, 0]\nfocal_px = 450\n"


def test_units_and_defaults(make_rig):
    text = (
        START
        + "seed = 5\n"
        + CAMERA
        + "[built]\nastigmatism_um = 20\nastigmatism_deg = 30\nseat_turn_deg = [0, 0, 90]\n"
        + "[[built.zernike]]\nn = 4\nm = 0\num = -7\n"
        + "[[built.dent]]\nposition_mm = [1, 2]\nwidth_mm = 2.354820045\ndepth_um = 15\n"
        + "[[built.ripple]]\namplitude_um = 0.5\nperiod_mm = 3\nrings = true\n"
    )
    truth = parse_truth(text, make_rig())
    assert truth.seed == 5
    np.testing.assert_allclose(truth.built.zernike, [(4, 0, -0.007), (2, 2, 0.01), (2, -2, 0.02 * np.sin(np.pi / 3))])
    np.testing.assert_allclose(truth.built.dents[0].sigma_mm, 1.0, rtol=1e-9)
    assert truth.built.dents[0].depth_mm == 0.015
    assert truth.built.ripples[0].direction_rad is None
    assert truth.built.zernike_radius_mm == 60  # the conic's own aperture
    np.testing.assert_allclose(truth.built.seat_turn_rad, [0, 0, np.pi / 2])
    assert truth.projector.transfer == 2.2  # the rig's nominal one
    np.testing.assert_array_equal(truth.camera.principal_px, [239.5, 134.5])
    assert truth.camera.exposure is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("version = 1\n", r"format: found nothing"),
        ('format = "rigwarp rig"\nversion = 1\n', r"format: found the text"),
        ('format = "rigwarp virtual rig"\nversion = 2\n' + CAMERA, r"version: found 2, expected 1"),
        ('format = "rigwarp virtual rig"\n' + CAMERA, r"version: found nothing"),
        (START, r"camera: found nothing"),
        (START + CAMERA + "focal = 3\n", r"camera\.focal: found an unknown key.*Did you mean"),
        (START + CAMERA + "[bult]\n", r"bult.*Did you mean built"),
        (START + CAMERA + "rotation_deg = [0, 0, 0]\n", r"camera\.aim_mm: found both"),
        (
            START + "[camera]\nposition_mm = [0, 0, 1]\naim_mm = [0, 0, 1]\nfocal_px = 9\n",
            r"camera\.aim_mm.*own position",
        ),
        (START + CAMERA.replace("450", "-1"), r"camera\.focal_px: found -1"),
        (
            START + CAMERA + "[projector]\npupil_samples = 5\n",
            r"projector\.pupil_samples: found 5, expected 1, 7, 19 or 37",
        ),
        (START + CAMERA + "[projector]\ngamma = 'rec'\n", r"projector\.gamma: found"),
        (
            START + CAMERA + "[built]\n[[built.zernike]]\nn = 2\nm = 1\num = 1\n",
            r"built\.zernike\[0\]\.m: found 1, expected an even",
        ),
        (
            START + CAMERA + "[built]\n[[built.dent]]\nposition_mm = [0]\nwidth_mm = 1\ndepth_um = 1\n",
            r"built\.dent\[0\]\.position_mm",
        ),
        (
            START + CAMERA + "[built]\n[[built.dent]]\nfacet = 1\nposition_mm = [0, 0]\nwidth_mm = 1\ndepth_um = 1\n",
            r"built\.dent\[0\]\.facet: found 1",
        ),
        (
            START + CAMERA + "[built]\n[[built.ripple]]\namplitude_um = 1\nperiod_mm = 0\n",
            r"built\.ripple\[0\]\.period_mm: found 0",
        ),
        (
            START + CAMERA + "[built]\n[[built.hole]]\nposition_mm = [0, 0]\n",
            r"built\.hole\[0\]\.diameter_mm: found nothing",
        ),
        (START + CAMERA + "[surface]\nkind = 'polynomial'\n", r"surface\.aperture_size_mm: found nothing"),
        (
            START + CAMERA + "[surface]\nkind = 'polynomial'\naperture_radius_mm = 3\nterms = [[1, 2]]\n",
            r"surface\.terms\[0\]: found",
        ),
        (START + CAMERA + "[room]\nhaze = 1.5\n", r"room\.haze: found 1\.5"),
        (START + CAMERA + "[room\n", r"not valid TOML"),
        (START + "seed = -1\n" + CAMERA, r"seed: found -1"),
    ],
)
def test_mistakes_are_named(make_rig, text, message):
    with pytest.raises(InputError, match=message) as caught:
        parse_truth(text, make_rig())
    assert "virtual.toml" in str(caught.value)
    assert "\n" not in str(caught.value).removesuffix("\n") or "TOML" in message
