"""Who is let in, as pure functions: hosts, origins, keys, how often."""

import pytest

from rigwarp.page.guard import Places, Rate, WrongKeys, host_allowed, origin_allowed, places_of
from rigwarp.talk.keys import PageKeys

HERE = places_of("127.0.0.1", 8373, own=["192.0.2.7", "tablehost"])
NETWORK = places_of("0.0.0.0", 8373, own=["192.0.2.7", "Tablehost"], names=["table.museum.example"])


@pytest.mark.parametrize(
    ("header", "places", "allowed"),
    [
        ("127.0.0.1:8373", HERE, True),
        ("localhost:8373", HERE, True),
        ("LOCALHOST.:8373", HERE, True),
        ("[::1]:8373", HERE, True),
        ("[0:0:0:0:0:0:0:1]:8373", HERE, True),
        ("192.0.2.7:8373", HERE, False),  # bound to the loopback alone
        ("192.0.2.7:8373", NETWORK, True),
        ("tablehost:8373", NETWORK, True),
        ("table.museum.example", NETWORK, True),  # a proxy's port is its own
        ("evil.example:8373", NETWORK, False),  # a name that was made to lead here
        ("127.0.0.1", HERE, False),  # port 80 is not ours
        ("127.0.0.1:8374", HERE, False),
        ("127.0.0.1:8373,evil.example", HERE, False),
        ("127.0.0.1:8373@evil.example", HERE, False),
        ("127.1:8373", HERE, False),
        ("2130706433:8373", HERE, False),
        ("localhost.evil.example:8373", HERE, False),
        ("[::1", HERE, False),
        ("[::1]x:8373", HERE, False),
        (":8373", HERE, False),
        ("", HERE, False),
        (None, HERE, False),
        ("127.0.0.1:83733333", HERE, False),
        ("127.0.0.1:８３７３", HERE, False),
    ],
)
def test_only_our_own_names_lead_here(header: str | None, places: Places, allowed: bool) -> None:
    assert host_allowed(header, places) is allowed


@pytest.mark.parametrize(
    ("origin", "allowed"),
    [
        ("http://127.0.0.1:8373", True),
        ("https://localhost:8373", True),
        ("http://127.0.0.1:8373/", False),
        ("http://evil.example", False),
        ("http://x@127.0.0.1:8373", False),
        ("file://127.0.0.1:8373", False),
        ("null", False),
        (None, False),
    ],
)
def test_only_our_own_page_is_an_origin(origin: str | None, allowed: bool) -> None:
    assert origin_allowed(origin, HERE) is allowed


def test_keys_are_two_and_random() -> None:
    keys = PageKeys.new()
    assert keys.role_of(keys.operate) == "operate"
    assert keys.role_of(keys.view) == "view"
    assert len({one for _ in range(50) for one in vars(PageKeys.new()).values()}) == 100
    for wrong in (None, 7, "", keys.operate[:-1], keys.operate + "x", "ключ", [keys.operate]):
        assert keys.role_of(wrong) is None


def test_wrong_keys_are_counted_by_address_and_in_all() -> None:
    wrong = WrongKeys()
    for second in range(5):
        assert wrong.heard("192.0.2.1", second)
        wrong.note("192.0.2.1", second)
    assert not wrong.heard("192.0.2.1", 30.0)
    assert wrong.heard("192.0.2.2", 30.0)
    for number in range(25):
        wrong.note(f"192.0.2.{10 + number}", 30.0)
    assert not wrong.heard("192.0.2.99", 31.0)
    assert wrong.heard("192.0.2.1", 91.0)


def test_so_many_messages_a_second_and_no_more() -> None:
    rate = Rate(50)
    assert sum(rate.allows(10.0) for _ in range(200)) == 50
    assert sum(rate.allows(10.5) for _ in range(200)) == 25
    assert sum(rate.allows(1e6) for _ in range(200)) == 50
