"""The page's process beside a player: `python -m rigwarp.page`, fed through stdin and heard through stdout."""

import contextlib
import os
import sys
from dataclasses import asdict

from rigwarp.errors import RigwarpError
from rigwarp.talk.pipes import Heard, Talk, own_streams, packed, read_message


def main() -> int:
    """Serve until the player goes. As a spare it has imported everything when its first message comes."""
    source, target = own_streams()
    with contextlib.suppress(AttributeError, OSError):
        os.nice(5)  # the show goes first
    from rigwarp.page.serve import Address, serve

    first = read_message(source)
    if first is None or "hello" not in first[0]:
        return 2
    talks: list[Talk] = []

    def talk(heard: Heard, ended: object) -> Talk:
        talks.append(Talk(source, target, heard=heard, ended=ended))  # type: ignore[arg-type]
        return talks[0]

    def ready(address: Address) -> None:
        talks[0].say({"ready": asdict(address)})

    try:
        serve(first[0]["hello"], talk=talk, on_ready=ready)
    except RigwarpError as error:
        target.write(packed({"failed": str(error)}))
        target.flush()
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
