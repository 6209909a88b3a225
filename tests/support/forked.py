"""Parts of tests in processes of their own, which SDL, signal handlers and Mesa's settings want.

They are forked from one process that has imported what takes a second each time (Python's forkserver); nothing of
SDL, OpenGL or OpenCV runs there.
"""

import multiprocessing
import os

_SCREENS = ("DISPLAY", "WAYLAND_DISPLAY")
_QUIET = {"SDL_AUDIODRIVER": "dummy", "PYGAME_HIDE_SUPPORT_PROMPT": "1"}
_fork = multiprocessing.get_context("forkserver")
_fork.set_forkserver_preload(
    ["pytest", "moderngl", "rigwarp.prewarp", "rigwarp.live.run.player", "rigwarp.live.sources.video"]
)


class Forked:
    """`work(say, *arguments, **options)` in a process of its own, without a screen unless `environment` names one.

    It is given up after `within_s` of silence.
    """

    def __init__(self, work, *arguments, environment=(), within_s=100.0, **options):
        self._within_s = within_s
        kept = {name: value for name, value in os.environ.items() if name not in _SCREENS}
        self._said, say = _fork.Pipe(duplex=False)
        self._process = _fork.Process(
            target=_run, args=(work, say, arguments, options, {**kept, **_QUIET, **dict(environment)})
        )
        self._process.start()
        say.close()

    @property
    def pid(self):
        return self._process.pid

    def hear(self):
        """The next that it says."""
        assert self._said.poll(self._within_s), "it said nothing"
        return self._said.recv()

    def result(self):
        """The last that it said, once it has ended well."""
        said = None
        try:
            while True:
                said = self.hear()
        except EOFError:
            self._process.join(self._within_s)
        assert self._process.exitcode == 0
        return said

    def close(self):
        """Let nothing of it be left."""
        self._process.kill()
        self._process.join()
        self._said.close()


def forked(work, *arguments, **options):
    """What a process of its own said last; see `Forked`."""
    process = Forked(work, *arguments, **options)
    try:
        return process.result()
    finally:
        process.close()


def _run(work, say, arguments, options, environment):
    os.environ.clear()
    os.environ.update(environment)
    work(say.send, *arguments, **options)
