"""Names and addresses: this machine's, those that a `Host` header names, and cameras' as others may read them."""

import contextlib
import re
import socket

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
EVERYWHERE = frozenset({"", "0.0.0.0", "::"})
"""Listening there, a server is heard at all of the machine's addresses."""


def split_host(header: str) -> tuple[str, int | None] | None:
    """Name and port of a Host header, in lower case; None where it is none."""
    name, port = header.strip(), ""
    if name.startswith("["):
        name, bracket, port = name[1:].partition("]")
        if not bracket or (port and not port.startswith(":")):
            return None
        port = port[1:]
    elif name.count(":") == 1:
        name, _, port = name.partition(":")
    if (port and not (port.isascii() and port.isdigit() and len(port) <= 5)) or not name:
        return None
    return name.lower().rstrip("."), int(port) if port else None


def own_names() -> frozenset[str]:
    """What this machine is called, in lower case, and its addresses, as far as it knows."""
    name = socket.gethostname().lower()
    short = name.partition(".")[0]
    found = {name, short, f"{short}.local", outward_address(), *LOOPBACK}
    with contextlib.suppress(OSError):
        found |= {str(entry[4][0]).split("%")[0] for entry in socket.getaddrinfo(name, None)}
    return frozenset(found)


def outward_address() -> str:
    """This machine's address in the network; the loopback's where there is no network. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737, routed nowhere; connecting a datagram is local
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def http_address(host: str, port: int) -> str:
    """Where a browser finds what listens on an address; everywhere: by this machine's address in the network."""
    shown = outward_address() if host in EVERYWHERE else host
    return f"http://{f'[{shown}]' if ':' in shown else shown}:{port}/"


def without_password(name: str) -> str:
    """A name that may be an address, as others may read it: whom a camera or stream lets in is left out (RFC 3986)."""
    return re.sub(r"(?<=://)[^/?#\s]*@", "", name)
