"""Reads a ring of pictures in a process of its own: every picture has one value all over, its number's lowest byte.

    python ring_reading.py NAME READS

Prints a line when it begins, and the number of whole pictures read at the end; the exit code is 1 after a torn one.
"""

import sys

from rigwarp.live.view.ring import RingReader


def main(name, reads):
    reader, done = RingReader(name), 0
    say("reading")
    while done < reads:
        shared = reader.newest()
        if shared is None:
            continue
        if (shared.picture != shared.number % 256).any():
            say(f"torn: picture {shared.number} holds {sorted(set(shared.picture.ravel().tolist()))}")
            return 1
        done += 1
    say(str(done))
    return 0


def say(line):
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], int(sys.argv[2])))
