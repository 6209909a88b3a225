"""What a frame costs, as a ratio to a plain textured draw (GPU) or a bare fixed-point remap (CPU) in the same run.

    python tests/benchmarks/bench_live.py [--json] [--rig NPZ ...] [--quick]

"upload" is a video frame as its decoder gives it, turned into linear light; "upload_rgb" the same as RGB.
"drawn" is what OpenGL 3.3 and ES 3.1 can do, "meshed" is for weak GPUs, "computed" needs 4.3. On a data-centre GPU,
whose few drawing units make clearing the target as dear as a plain draw, one look-up of the map and one sample by the
texture unit already cost 2.1 plain draws, and the exact arithmetic 3.5; its compute units do all of it for 0.2. So the
renderer races the three. "es" is the same by an OpenGL ES context. Where the CPU computes OpenGL, small frames are
measured one at a time, in processor time: of several in a row Mesa draws the last alone where it covers the others.
Only of uploads something is wanted there: one sample with the projector's curve takes 1.7 plain draws, four take 3.5.
The warp is a bent one whose footprint is one content pixel, so that one sample per projector pixel is right; "best"
has content of 1.6 times that density, as the ready-made rigs do, and averages 2 x 2 samples. `--rig` compares the
renderers' output on prewarp files as well, in code values.
"""

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rigwarp.errors import DeviceError
from rigwarp.live.render.cpu import CpuRenderer
from rigwarp.live.render.picture import YuvPicture
from rigwarp.live.render.reference import ReferenceRenderer
from rigwarp.live.render.warp import Warp, warp_of
from rigwarp.prewarp import Prewarp

SIZES = {"1080p": (1920, 1080), "2160p": (3840, 2160), "360p": (640, 360)}
GPU_TARGETS = {"1080p": 1.25, "2160p": 1.5}
CPU_TARGET, BEST_TARGET, UPLOAD_TARGET = 1.25, 3.0, 5.0
WEAK_TARGETS = {"one_tap": 1.5, "best": 2.5, "upload_video": 4.0}
BEST_DENSITY = 1.6
SOFTWARE_SIZES = ("360p", "1080p")
BLIT_VERTEX = "#version 330 core\nout vec2 at;\nvoid main() { at = vec2(gl_VertexID == 1 ? 2.0 : 0.0, gl_VertexID == 2 ? 2.0 : 0.0); gl_Position = vec4(at * 2.0 - 1.0, 0.0, 1.0); }"  # noqa: E501
BLIT_FRAGMENT = "#version 330 core\nuniform sampler2D picture;\nin vec2 at;\nout vec4 colour;\nvoid main() { colour = texture(picture, at); }"  # noqa: E501


def bent_warp(size: tuple[int, int], density: float = 1.0, *, disc: bool = False) -> Warp:
    """A smooth warp whose footprint is 0.85 to 1.0 content pixels times `density`; the gain falls to one side.

    `disc`: only a disc as high as the frame is lit, as on a round table.
    """
    width, height = size
    columns, rows = width // 20 + 2, height // 20 + 2
    v, u = np.mgrid[:rows, :columns] * 20.0
    x = 0.93 * u + 0.012 * width * np.sin(v / height * 4.0)
    y = 0.93 * v + 0.012 * height * np.cos(u / width * 5.0) + 0.02 * height
    corner = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).reshape(-1)
    halves = [np.stack([corner, corner + 1, corner + columns], -1)]
    halves.append(np.stack([corner + 1, corner + columns + 1, corner + columns], -1))
    triangles = np.concatenate(halves).astype(np.int32)
    gain = np.tile(np.linspace(1.0, 0.4, width, dtype=np.float32), (height, 1))
    if disc:
        across, down = np.arange(width) - width / 2, np.arange(height)[:, None] - height / 2
        gain[np.hypot(across, down) > height / 2] = 0.0
    prewarp = Prewarp(
        projector_resolution=size,
        content_pixels=(round(width * density), round(height * density)),
        vertices_px=np.stack([u, v], -1).reshape(-1, 2),
        content_px=np.stack([x, y], -1).reshape(-1, 2) * density,
        triangles=triangles,
        triangle_zone=np.zeros(len(triangles), np.int16),
        zone=np.zeros((height, width), np.int16),
        gain=gain,
        transfer=2.2,
        mesh_error_px=0.0,
    )
    return warp_of(prewarp)


def picture_of(size: tuple[int, int]) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Smooth colour with hard noise in it."""
    width, height = size
    v, u = np.mgrid[:height, :width]
    base = np.stack([u * 255 // width, v * 255 // height, (u + v) % 256], -1).astype(np.uint8)
    noise = np.random.default_rng(1).integers(0, 256, (height // 4, width // 4, 3), dtype=np.uint8)
    base[: noise.shape[0], : noise.shape[1]] = noise
    return base


def least_ms(
    work: Callable[[], object],
    finish: Callable[[], object],
    draws: int,
    rounds: int = 5,
    clock: Callable[[], float] = time.perf_counter,
) -> float:
    """The median over rounds of the time of one piece of work, a whole round being in flight at a time."""
    for _ in range(3):
        work()
    finish()
    found = []
    for _ in range(rounds):
        start = clock()
        for _ in range(draws):
            work()
        finish()
        found.append((clock() - start) / draws * 1e3)
    return float(np.median(found))


def shares_of(work: Callable[[], object], base: Callable[[], object], finish: Callable[[], object]) -> float:
    """Processor time of `work` over that of `base`, both in turn, so that a busy machine is slow for both alike."""
    shares = []
    for turn in range(14):
        took = []
        for one in (base, work):
            start = time.process_time()
            one()
            finish()
            took.append(time.process_time() - start)
        if turn > 2:  # the first ones find their memory
            shares.append(took[1] / took[0])
    return float(np.median(shares))


def measure_gpu(context: Any, name: str, draws: int) -> dict[str, Any]:
    """The GPU's figures at one size."""
    import moderngl

    from rigwarp.live.render.gl import GlRenderer
    from rigwarp.live.render.gl_context import is_software
    from rigwarp.live.render.gl_programs import drawing_program

    size = SIZES[name]
    software = is_software(context)
    took_ms = partial(least_ms, clock=time.process_time if software else time.perf_counter)
    target = context.framebuffer([context.texture(size, 4)])
    plain = context.texture(size, 4, bytes(4 * size[0] * size[1]))
    program = drawing_program(context, BLIT_FRAGMENT, BLIT_VERTEX)
    call = context.vertex_array(program, [])

    def blit() -> None:
        target.use()
        plain.use(0)
        call.render(moderngl.TRIANGLES, vertices=3)

    blit_ms = [took_ms(blit, context.finish, draws)]
    result: dict[str, Any] = {}
    in_turn: dict[str, float] = {}
    for label, density in (("one_tap", 1.0), ("best", BEST_DENSITY)):
        warp = bent_warp(size, density)
        picture = picture_of(warp.prewarp.content_pixels)
        for way in ways_of(context):
            renderer = GlRenderer(warp, context, way=way)
            renderer.load(picture)
            result[f"{label}_{way}_ms"] = took_ms(lambda r=renderer: r.draw(target), context.finish, draws)  # type: ignore[misc]
            if software:
                in_turn[f"{label}_{way}_ratio"] = shares_of(lambda r=renderer: r.draw(target), blit, context.finish)  # type: ignore[misc]
            if label == "one_tap":
                few = max(draws // 4, 4)
                video = YuvPicture(planes=np.resize(picture, (size[1] * 3 // 2, size[0])))
                for kind, frame in (("rgb", picture), ("video", video)):
                    upload = took_ms(lambda r=renderer, p=frame: r.load(p), context.finish, few)  # type: ignore[misc]
                    result[f"upload_{kind}_{way}_ms"] = upload
                    if software:
                        share = shares_of(lambda r=renderer, p=frame: r.load(p), blit, context.finish)  # type: ignore[misc]
                        in_turn[f"upload_{kind}_{way}_ratio"] = share
            renderer.close()
        renderer = GlRenderer(warp, context)
        renderer.load(picture)
        renderer.draw(target)
        result[f"{label}_way"] = renderer.way
        renderer.close()
        blit_ms.append(took_ms(blit, context.finish, draws))
    base = float(np.median(blit_ms))
    ratios = {key.removesuffix("_ms") + "_ratio": value / base for key, value in result.items() if key.endswith("_ms")}
    ratios |= in_turn
    return {"blit_ms": base, **result, **ratios, "met": met_of(ratios, result, name)}


def ways_of(context: Any) -> tuple[Any, ...]:
    """How the GPU renderer can draw here."""
    return ("drawn", "meshed", "computed") if context.version_code >= 430 else ("drawn", "meshed")


def met_of(ratios: dict[str, float], result: dict[str, Any], name: str) -> dict[str, bool]:
    """What was wanted in plain draws, and whether it holds: of what the renderer takes, and without compute shaders."""

    def within(figure: str, ways: tuple[str, ...], most: float) -> bool:
        return min(ratios[f"{figure}_{way}_ratio"] for way in ways) <= most

    met = {}
    if "one_tap_computed_ratio" in ratios:
        most = GPU_TARGETS.get(name, max(GPU_TARGETS.values()))
        met[f"a frame at most {most}"] = within("one_tap", (result["one_tap_way"],), most)
        met[f"a frame with best filter at most {BEST_TARGET}"] = within("best", (result["best_way"],), BEST_TARGET)
        for kind in ("video", "rgb"):
            met[f"{kind} upload at most {UPLOAD_TARGET}"] = within(f"upload_{kind}", ("computed",), UPLOAD_TARGET)
    for figure, most in WEAK_TARGETS.items():
        met[f"{figure} without compute shaders at most {most}"] = within(figure, ("drawn", "meshed"), most)
    return met


def measure_cpu(rounds: int) -> dict[str, Any]:
    """The CPU's figures at 1080p: whole frames, upload and conversions included, against the bare remap.

    Both have the same picture, positions and threads, and make a new frame. "ratio" is that of the shortest times,
    disturbed by nothing; "middle_ratio" the median over the rounds; "processor_ratio" the same of the time of all
    cores together. On a busy machine two threads may have to share a core, and only the last one says much.
    """
    size = SIZES["1080p"]
    warp = bent_warp(size)
    picture = picture_of(size)
    position = warp.samples(size).position_px
    fixed = cv2.convertMaps(position, np.empty(0), cv2.CV_16SC2)
    renderer, best = CpuRenderer(warp), CpuRenderer(bent_warp(size, BEST_DENSITY))
    disc = CpuRenderer(bent_warp(size, disc=True))
    dense = picture_of(best._warp.prewarp.content_pixels)
    work: dict[str, Callable[[], object]] = {
        "bare_remap": lambda: cv2.remap(picture, *fixed, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT),
        "one_tap": lambda: renderer.render(picture),
        "disc": lambda: disc.render(picture),
        "best": lambda: best.render(dense),
    }
    times: dict[str, list[tuple[float, float]]] = {key: [] for key in work}
    for turn in range(rounds + 2):
        for key, call in work.items():  # interleaved, so that a busy moment hits all of them
            start = time.perf_counter(), time.process_time()
            call()
            if turn > 1:  # the first ones find their memory
                times[key].append((time.perf_counter() - start[0], time.process_time() - start[1]))
    least = {key: 1e3 * np.min(values, axis=0) for key, values in times.items()}
    ratio = {key: float(value[0] / least["bare_remap"][0]) for key, value in least.items()}
    middle = np.median(np.divide(times["one_tap"], times["bare_remap"]), axis=0)
    return {
        **{f"{key}_ms": float(value[0]) for key, value in least.items()},
        **{f"{key}_processor_ms": float(value[1]) for key, value in least.items()},
        "ratio": ratio["one_tap"],
        "middle_ratio": float(middle[0]),
        "processor_ratio": float(middle[1]),
        "disc_ratio": ratio["disc"],
        "best_ratio": ratio["best"],
        "threads": cv2.getNumThreads(),
        "met": {key: ratio[key] <= CPU_TARGET for key in ("one_tap", "disc")},
    }


def measure_agreement(prewarp: Prewarp, context: Any) -> dict[str, Any]:
    """Largest difference between the renderers and the float64 reference, in codes, on hard content.

    The mesh's is that to what the reference shows within 0.05 px of each place.
    """
    warp = warp_of(prewarp)
    width, height = prewarp.content_pixels
    rng = np.random.default_rng(3)
    picture = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    picture[rng.random(picture.shape) < 0.4] = 0
    expected = ReferenceRenderer(warp).render(picture).astype(int)
    found = {"cpu": int(np.abs(CpuRenderer(warp).render(picture) - expected).max())}
    if context is not None:
        from rigwarp.live.render.exactness import codes_beyond
        from rigwarp.live.render.gl import GlRenderer

        for way in ways_of(context):
            renderer = GlRenderer(warp, context, way=way)
            frame = renderer.render(picture)
            off = codes_beyond(frame, warp, picture) if way == "meshed" else np.abs(frame - expected)
            found[f"gpu_{way}"] = int(off.max())
            renderer.close()
    return found


def measure(*, rigs: dict[str, Prewarp] | None = None, quick: bool = False) -> dict[str, Any]:
    """All figures; of an OpenGL that the CPU computes only those in turn with a plain draw."""
    from rigwarp.live.render.es_context import open_es_context
    from rigwarp.live.render.gl_context import standalone_context

    result: dict[str, Any] = {"cpu": measure_cpu(5 if quick else 60)}
    rigs = scenario_rigs() if rigs is None else rigs
    for name, opened in (("gl", standalone_context), ("es", open_es_context)):
        try:
            context = opened()
        except (DeviceError, OSError) as error:
            result[name] = {"renderer": str(error)}
            continue
        result[name] = measure_context(context, 20 if quick else 100)
        if name == "gl":
            result["agreement_codes"] = {rig: measure_agreement(prewarp, context) for rig, prewarp in rigs.items()}
        context.release()
    if "agreement_codes" not in result:
        result["agreement_codes"] = {rig: measure_agreement(prewarp, None) for rig, prewarp in rigs.items()}
    result["held"] = held(result)
    return result


def measure_context(context: Any, draws: int) -> dict[str, Any]:
    """Figures by size; "in_software" where the CPU computes OpenGL."""
    from rigwarp.live.render.gl_context import is_software

    software = is_software(context)
    sizes = SOFTWARE_SIZES if software else GPU_TARGETS
    renderer = {"renderer": str(context.info["GL_RENDERER"]), "version": str(context.info["GL_VERSION"])}
    return {
        **renderer,
        "in_software": software,
        **{n: measure_gpu(context, n, 4 if software else draws) for n in sizes},
    }


def held(result: dict[str, Any]) -> dict[str, bool]:
    """What was wanted, in words, and whether it holds."""
    cpu = result["cpu"]["met"]
    found = {
        f"CPU, everything lit: at most {CPU_TARGET} times a bare remap": cpu["one_tap"],
        f"CPU, a disc lit: at most {CPU_TARGET} times a bare remap": cpu["disc"],
    }
    for context in ("gl", "es"):
        software = result[context].get("in_software")
        for size in SIZES if software is not None else ():
            for wanted, holds in result[context].get(size, {"met": {}})["met"].items():
                if not software or wanted.startswith("upload_video"):
                    found[f"{context} {size}: {wanted} plain draws"] = holds
    for name, codes in result["agreement_codes"].items():
        found[f"{name}: all renderers within one code of the reference"] = max(codes.values()) <= 1
    return found


def scenario_rigs() -> dict[str, Prewarp]:
    """The ready-made rigs, warped by their design, uneven light evened out."""
    from rigwarp.files import open_rig
    from rigwarp.jobs.design import design_map
    from rigwarp.prewarp import build_prewarp
    from rigwarp.scenarios import create_rig

    rigs = {}
    with tempfile.TemporaryDirectory() as parent:
        for name in ("round-table", "folded-counter", "freeform-desk"):
            create_rig(name, Path(parent) / name)
            folder = open_rig(Path(parent) / name)
            design = design_map(folder)
            light = 1.5 + np.sin(design.x_mm / 90.0) * np.cos(design.y_mm / 70.0)
            rigs[name] = build_prewarp(design, folder.rig.content, folder.rig.projector.transfer, light=light)
    return rigs


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument("--quick", action="store_true", help="fewer repeats")
    parser.add_argument(
        "--rig",
        nargs="*",
        type=Path,
        help="prewarp.npz files to compare the renderers on, instead of the ready-made rigs",
    )
    options = parser.parse_args()
    rigs = None
    if options.rig is not None:
        from rigwarp.files.prewarp_file import read_prewarp

        rigs = {path.parent.name or path.stem: read_prewarp(path) for path in options.rig}
    figures = measure(rigs=rigs, quick=options.quick)
    sys.stdout.write(json.dumps(figures, indent=None if options.json else 2) + "\n")


if __name__ == "__main__":
    main()
