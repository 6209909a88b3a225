"""Who may talk to the page, in the order in which a request meets it: host, origin, key, how often. Pure functions.

A page anywhere on the web can send requests to addresses of this network through the visitor's browser, and by DNS
rebinding can make it take them for its own. So the name that a request is for has to be one of ours; that its origin is
the same name proves nothing. There is no cookie: nothing is sent along unless our own page does it.
"""

import ipaddress
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from rigwarp.talk.hosts import EVERYWHERE, LOOPBACK, split_host

WRONG_A_MINUTE, WRONG_A_MINUTE_IN_ALL = 5, 30
MOST_CLIENTS: Final = 8
MOST_CONNECTIONS, MOST_FROM_ONE = 64, 32
"""At once, before they become sockets: in all, and from one address, so that nobody keeps all others out."""
MOST_WAITING: Final = 8
"""Sockets of one address that have not shown a key yet."""
MESSAGE_BYTES: Final = 65536
MESSAGES_A_SECOND: Final = 50
_MINUTE_S = 60.0


@dataclass(frozen=True, kw_only=True)
class Places:
    """Where the page is found: names and addresses with its port; `names`: by way of a proxy, with any port."""

    hosts: frozenset[str]
    port: int
    names: frozenset[str] = frozenset()


def host_allowed(header: str | None, places: Places) -> bool:
    """True when a request is for one of our names: nobody else's name may lead here."""
    found = split_host(header) if header else None
    if found is None:
        return False
    name, port = found
    return name in places.names or (_plain(name) in places.hosts and (80 if port is None else port) == places.port)


def origin_allowed(origin: str | None, places: Places) -> bool:
    """True when a page of ours sent a request."""
    scheme, _, host = (origin or "").partition("://")
    return scheme in ("http", "https") and "/" not in host and "@" not in host and host_allowed(host, places)


class WrongKeys:
    """Counts wrong keys: after five a minute an address is not heard, after thirty in all nobody new is."""

    def __init__(self) -> None:
        self._wrong: deque[tuple[float, str]] = deque()

    def note(self, address: str, now_s: float) -> None:
        """A wrong key from an address."""
        self._forget(now_s)
        if len(self._wrong) < WRONG_A_MINUTE_IN_ALL:
            self._wrong.append((now_s, address))

    def heard(self, address: str, now_s: float) -> bool:
        """True when this address may try a key."""
        self._forget(now_s)
        from_there = sum(1 for _, other in self._wrong if other == address)
        return from_there < WRONG_A_MINUTE and len(self._wrong) < WRONG_A_MINUTE_IN_ALL

    def _forget(self, now_s: float) -> None:
        while self._wrong and now_s - self._wrong[0][0] > _MINUTE_S:
            self._wrong.popleft()


class Rate:
    """So many messages a second, with room for a second's worth at once."""

    def __init__(self, a_second: float = MESSAGES_A_SECOND) -> None:
        self._most = a_second
        self._left, self._last_s = a_second, 0.0

    def allows(self, now_s: float) -> bool:
        """True, and counted, when one more may come now."""
        self._left = min(self._most, self._left + (now_s - self._last_s) * self._most)
        self._last_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True


def places_of(bound: str, port: int, *, own: Iterable[str], names: Iterable[str] = ()) -> Places:
    """Where a page bound to an address is found.

    Parameters
    ----------
    own : the machine's addresses and host names, which count unless it is bound to one address alone.
    names : that the user adds.
    """
    hosts = set(LOOPBACK)
    if bound in EVERYWHERE:
        hosts |= {_plain(name.lower()) for name in own}
    elif bound not in LOOPBACK:
        hosts = {_plain(bound.lower())}
    return Places(hosts=frozenset(hosts), port=port, names=frozenset(name.lower().rstrip(".") for name in names))


def _plain(name: str) -> str:
    """An address in the one way of writing it; a name as it stands."""
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        return name
