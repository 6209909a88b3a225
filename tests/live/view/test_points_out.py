"""Points sent as OSC and as TUIO 1.1 cursors, received by python-osc."""

import socket

import numpy as np
import pytest
from pythonosc.osc_bundle import OscBundle

import rigwarp
from rigwarp.errors import InputError
from rigwarp.live.view.points_out import PointsOut
from rigwarp.rig import TopView

TOP = TopView(size_mm=(800.0, 400.0), centre_mm=np.array([100.0, 0.0]), mm_per_pixel=1.0)


@pytest.fixture
def ear():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.settimeout(5.0)
        yield listening


def heard(ear, most=1472):
    """Address and values of each message in the next packet, by default one of Ethernet."""
    data = ear.recv(65536)
    assert len(data) <= most
    return [(one.address, *one.params) for one in OscBundle(data)]


def sender(ear, **how):
    return PointsOut(TOP, port=ear.getsockname()[1], **how)


def test_plain_points_and_that_they_are_gone(ear):
    with sender(ear) as out:
        out.send({3: [120.25, -40.5], 9: [np.nan, 0.0]}, {3: 0.125, 9: 1.0})
        assert heard(ear) == [("/rigwarp/point", 3, 120.25, -40.5, 0.125)]
        out.send({}, {})
        assert heard(ear) == [("/rigwarp/gone", 3)]
        out.send({}, {})
        out.send({4: [0.0, 1.0]}, {4: 0.5})
        assert heard(ear) == [("/rigwarp/point", 4, 0.0, 1.0, 0.5)], "nothing is sent where there is nothing to say"


def test_cursors_of_tuio(ear):
    """TUIO 1.1, 2Dcur: source, alive, set s x y X Y m, fseq; y runs down, velocities in surfaces per second."""
    with sender(ear, tuio=True) as out:
        out.send({5: [-300.0, 200.0], 6: [600.0, 0.0]}, {5: 0.1, 6: 0.1}, seconds=10.0)
        assert heard(ear) == [
            ("/tuio/2Dcur", "source", "rigwarp"),
            ("/tuio/2Dcur", "alive", 5),
            ("/tuio/2Dcur", "set", 5, 0.0, 0.0, 0.0, 0.0, 0.0),
            ("/tuio/2Dcur", "fseq", 1),
        ]
        out.send({5: [100.0, 100.0]}, {5: 0.1}, seconds=10.5)
        assert heard(ear)[2] == ("/tuio/2Dcur", "set", 5, 0.5, 0.25, 1.0, 0.5, pytest.approx(np.hypot(1.0, 0.5) / 0.5))
        out.send({}, {}, seconds=11.0)
        assert heard(ear)[1:] == [("/tuio/2Dcur", "alive"), ("/tuio/2Dcur", "fseq", 3)]


def test_many_points_go_in_several_packets(ear):
    many = {n: [float(n), 0.0] for n in range(60)}
    with sender(ear, tuio=True) as out:
        out.send(many, dict.fromkeys(many, 0.1), seconds=0.0)
    packets = [heard(ear) for _ in range(4)]
    assert all(one[1] == ("/tuio/2Dcur", "alive", *many) for one in packets)
    assert [m[2] for one in packets for m in one if m[1] == "set"] == list(many)
    assert {one[-1] for one in packets} == {("/tuio/2Dcur", "fseq", 1)}


def test_hundreds_of_cursors_are_all_alive_in_each_of_a_few_bundles(ear):
    """TUIO 1.1: whoever is missing among those alive has gone, so that list is whole in every bundle of a frame."""
    ear.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
    many = {n: [float(n), 0.0] for n in range(400)}
    with sender(ear, tuio=True) as out:
        out.send(many, dict.fromkeys(many, 0.1), seconds=0.0)
        out.send({}, {}, seconds=1.0)
    packets = []
    while not packets or packets[-1][-1][-1] == 1:
        packets.append(heard(ear, most=2 * 5 * len(many) + 200))
    assert len(packets) - 1 <= 14, "with Ethernet's packets 400"
    assert all(one[1] == ("/tuio/2Dcur", "alive", *many) for one in packets[:-1])
    assert [m[2] for one in packets for m in one if m[1] == "set"] == list(many)
    assert packets[-1][1:] == [("/tuio/2Dcur", "alive"), ("/tuio/2Dcur", "fseq", 2)]


def test_what_cannot_be_sent_is_told(ear):
    with sender(ear) as out, pytest.raises(InputError, match="found the number -1, expected 0 to 2147483647"):
        out.send({-1: [0.0, 0.0]}, {-1: 0.1})
    with pytest.raises(InputError, match="found no such address"):
        PointsOut(TOP, host="no..name")
    with pytest.raises(InputError, match="found the port 70000, expected 1 to 65535"):
        PointsOut(TOP, port=70000)


def test_the_library_hands_out_a_sender(wings_rig, ear):
    view = rigwarp.load_view(wings_rig)
    pixel = view.pixels([[200.0, 50.0]])
    mm, sigma = view.points(next(px for px in pixel.values() if np.isfinite(px).all()))
    with view.sender(port=ear.getsockname()[1]) as out:
        out.send({1: mm[0]}, {1: sigma[0]})
    assert heard(ear) == [("/rigwarp/point", 1, *(pytest.approx(v, abs=1e-3) for v in (200.0, 50.0, sigma[0])))]
