"""Trial: what tells folds from the rest. To be taken away again."""
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import sys
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

_T = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_T / "support"), str(_T / "benchmarks")]
import bench_bad_day as bb
import bench_folds as bf
from map_truth import map_errors, spread, true_map
from whole_chain import true_camera

from rigwarp.devices import open_virtual
from rigwarp.errors import RigwarpError
from rigwarp.table_map.design_field import design_field


def cell(name):
    import cv2

    cv2.setNumThreads(1)
    try:
        return one(name)
    except RigwarpError as error:
        return name + " REFUSED " + " ".join(str(error).split())[:200]
    except Exception:
        return name + " " + traceback.format_exc()[-600:]


def one(name):
    kept = {}
    first, second = bb.samples_of_zones, bb.fit_table_map

    def so(scans, *a):
        kept["scans"] = scans
        return first(scans, *a)

    def ft(model, samples, *a, **k):
        kept["samples"] = samples
        return second(model, samples, *a, **k)

    bb.samples_of_zones, bb.fit_table_map = so, ft
    with tempfile.TemporaryDirectory() as root:
        bench = bf.RigBench(Path(root), name.partition("/")[0])
        folder = bench.spoilt(bf._CELLS[name], bf._SEED + list(bf._CELLS).index(name))
        truth = true_map(folder)
        virtual = open_virtual(folder)
        fit = bench.fitted(folder, virtual, true_camera(folder, virtual))
        e = map_errors(folder, fit, truth)
    bb.samples_of_zones, bb.fit_table_map = first, second
    clear = ~e.smeared
    h = fit.held_out
    out = [f"{name}: z {spread(e.z[clear]):.2f} all {spread(e.z):.2f} n {clear.sum()}/{len(clear)}"]
    ez = np.sqrt(np.mean(e.z**2, axis=1))
    sig = fit.table_map.sigma_mm.ravel()[e.pixel]
    err = np.linalg.norm(e.error_mm, axis=1)
    shape = fit.table_map.zone.shape
    v, u = np.divmod(e.pixel, shape[1])
    px = np.stack([u, v], -1).astype(float)
    mar = np.min([np.abs(b.margin(px)) for b in fit.borders], axis=0) if fit.borders else np.full(len(px), 1e3)
    for label, pick in (("near", clear & (mar < 30)), ("mid", clear & (mar >= 30) & (mar < 90)), ("far", clear & (mar >= 90))):
        if pick.any():
            out.append(f"  {label}: n {pick.sum()} z {spread(e.z[pick]):.2f} median z {np.median(ez[pick]):.2f} p99 {np.percentile(ez[pick], 99):.1f} err rms {np.sqrt(np.mean(err[pick] ** 2)):.4f} med {np.median(err[pick]):.4f} sigma med {np.median(sig[pick]):.4f}")
    r = e.pixel
    parts = {k: getattr(fit, k + "_mm").ravel()[r] for k in ("random", "common", "decode", "ripple", "border")}
    out.append("  sigmas " + " ".join(f"{k} {np.median(x):.4f}/{np.median(x[clear]) if clear.any() else 0:.4f}" for k, x in parts.items()) + f" all err rms {np.sqrt(np.mean(err**2)):.3f} med {np.median(err):.4f}")
    ap = np.linalg.norm(truth.middle.table_mm.reshape(-1, 2)[r] - truth.mean.table_mm.reshape(-1, 2)[r], axis=1)
    out.append(f"  apart rms {np.sqrt(np.nanmean(ap**2)):.3f}; held n {h.n} rms {h.rms_mm:.4f} p95 {h.p95_mm:.4f} z {h.z_spread:.2f} of noise {h.z_spread_of_noise:.2f}; {fit.not_proven[:120]}")
    out.append(f"  ripples {[(round(x.period_px, 1), round(x.amplitude_mm, 3), round(x.direction_deg)) for x in fit.ripples]}")
    bor = [f"{bf._beside(b, truth.middle):.2f}px sigma {np.median(b.sigma_px):.2f} told {b.told} offset {np.median(b.offset_px):.2f} jump {np.median(b.jump_mm):.2f}" for b in fit.borders]
    out.append("  borders " + "; ".join(bor))
    return "\n".join(out)


if __name__ == "__main__":
    with ProcessPoolExecutor(int(sys.argv[1]), mp_context=get_context("spawn")) as pool:
        for text in pool.map(cell, bf._CELLS):
            print(text, flush=True)
