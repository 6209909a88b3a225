"""Telling the service manager that started this program how it is."""

import logging
import os
import socket

log = logging.getLogger(__name__)


def notify_service(message: str) -> None:
    """Tell systemd something, if it started us and wants to know (sd_notify's protocol: a datagram to a socket)."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        try:
            channel.sendto(message.encode(), "\0" + address[1:] if address[0] == "@" else address)
        except OSError as error:
            log.warning("systemd cannot be told %s: %s", message, error)
