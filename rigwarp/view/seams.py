"""Where the top view changes from one zone to another, so that nothing that stands on the table is seen twice.

A thing at height h over the place Q is seen by zone i around Q + h a_i, a_i its lean there. Across a seam from zone i
to zone j along the unit vector n its two images are h (a_j - a_i) . n further apart than the seam's two sides: where
that is negative, what stands there is partly hidden behind the seam; where it is positive, it is seen twice. Seams are
laid by a minimum cut (Boykov and Jolly, ICCV 2001) whose cost per mm is |a_j - a_i|, and more where it doubles; beside
that, a place is rather shown by the zone that looks down on it more steeply.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from rigwarp.geometry import Array, BoolArray, IntArray
from rigwarp.view.places import SeenPlaces

NONE = -1
_Edges = tuple[IntArray, IntArray, Array]  # from, to, cost
_CELLS = 160  # along the longer side: a seam's place to half a per cent of the picture
_DOUBLING = 2.0  # times as bad as hiding: it makes the seam wide and dark
_LENGTH_CELLS = 40.0  # so many cells shown with less lean are worth a seam that is one cell longer
_UNITS = 100_000  # costs are whole numbers to `maximum_flow`
_LEAST = 1e-3  # of any seam, so that it stays short
_STEPS = ((0, 1), (1, 0), (0, -1), (-1, 0))


def seamed(places: Sequence[SeenPlaces]) -> NDArray[np.int16]:
    """(H, W) which of the zones (their place in `places`) shows each pixel of the top view; NONE where none sees it."""
    height, width = places[0].seen.shape
    size = max(1, round(max(height, width) / _CELLS))
    rows, columns = np.arange(size // 2, height, size), np.arange(size // 2, width, size)
    label = np.full((len(rows), len(columns)), NONE)
    lean = np.full((*label.shape, 2), np.nan)
    for number, zone in enumerate(places):
        its = zone.lean[np.ix_(rows, columns)].astype(float)
        takes = _cut(label != NONE, lean, np.isfinite(its[..., 0]), its)
        label[takes], lean[takes] = number, its[takes]
    return _enlarged(label, places)


def _cut(first: BoolArray, first_lean: Array, second: BoolArray, second_lean: Array) -> BoolArray:
    """Where a zone (second) takes over from those before it (first): all that it alone sees, and its share of both."""
    both = first & second
    if not both.any():
        return second & ~first
    number = np.full(both.shape, NONE)
    number[both] = np.arange(np.count_nonzero(both)) + 2
    number[first & ~second], number[second & ~first] = 0, 1  # source and sink
    difference = second_lean - first_lean  # known where both see
    edges: list[_Edges] = [_edges(number, difference, both, step) for step in _STEPS]
    edges += _preferences(number[both], first_lean[both], second_lean[both])
    tail, head, cost = (np.concatenate(part) for part in zip(*edges, strict=True))
    nodes = int(number.max(initial=1)) + 1
    capacity = coo_array((np.rint(cost * _UNITS).astype(np.int32), (tail, head)), shape=(nodes, nodes)).tocsr()
    rest = capacity - maximum_flow(capacity, 0, 1).flow
    rest.data[rest.data < 0] = 0
    rest.eliminate_zeros()
    stays = np.zeros(nodes, bool)
    stays[breadth_first_order(rest, 0, return_predecessors=False)] = True
    takes: BoolArray = (second & ~first) | (both & ~stays[number])
    return takes


def _edges(number: IntArray, difference: Array, both: BoolArray, step: tuple[int, int]) -> _Edges:
    """From each cell to its neighbour `step` (rows, columns) further: what a seam between them costs."""
    height, width = number.shape
    rows = slice(max(0, -step[0]), height - max(0, step[0]))
    columns = slice(max(0, -step[1]), width - max(0, step[1]))
    there_rows = slice(rows.start + step[0], rows.stop + step[0])
    there_columns = slice(columns.start + step[1], columns.stop + step[1])
    here, there = (rows, columns), (there_rows, there_columns)
    known = np.stack([difference[here], difference[there]])
    seen: BoolArray = np.stack([both[here], both[there]])[..., None]
    mean = np.where(seen, known, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    apart = mean @ np.array([step[1], -step[0]], float)  # a row further is towards -y
    cost = np.linalg.norm(mean, axis=-1) + _DOUBLING * np.maximum(apart, 0.0) + _LEAST
    pairs = (number[here] != NONE) & (number[there] != NONE) & (both[here] | both[there])
    pairs &= (number[here] != 1) & (number[there] != 0)  # nothing runs out of the sink or into the source
    return number[here][pairs], number[there][pairs], cost[pairs]


def _preferences(cells: IntArray, first: Array, second: Array) -> list[_Edges]:
    """Where a seam may lie anywhere, the zone that looks down more steeply is shown."""
    leans = [np.linalg.norm(lean, axis=-1) / _LENGTH_CELLS for lean in (second, first)]
    source, sink = np.zeros_like(cells), np.ones_like(cells)
    return [(source, cells, leans[0]), (cells, sink, leans[1])]


def _enlarged(label: IntArray, places: Sequence[SeenPlaces]) -> NDArray[np.int16]:
    """The coarse choice at full size with smooth seams, among what is really seen at each pixel."""
    height, width = places[0].seen.shape
    best = np.full((height, width), -1.0, np.float32)
    chosen = np.full((height, width), NONE, np.int16)
    for number, zone in enumerate(places):
        share = cv2.GaussianBlur((label == number).astype(np.float32), (0, 0), 1.0)
        share = np.asarray(cv2.resize(share, (width, height), interpolation=cv2.INTER_LINEAR))
        better = zone.seen & (share > best)
        best[better], chosen[better] = share[better], number
    return chosen


def doubling(label: NDArray[np.int16], places: Sequence[SeenPlaces]) -> tuple[BoolArray, Array]:
    """Seam pixels (H, W), and how many mm apart they show a thing twice for each mm of its height; 0 where they hide.

    Dark ground between zones belongs to the nearest, so that a narrow gap counts as the seam that it is.
    """
    nearest = distance_transform_edt(label == NONE, return_distances=False, return_indices=True)
    filled = label[tuple(nearest)]
    lean = np.zeros((*label.shape, 2), np.float32)
    for number, zone in enumerate(places):
        lean[label == number] = zone.lean[label == number]
    lean = lean[tuple(nearest)]
    seam, apart = np.zeros(label.shape, bool), np.zeros(label.shape)
    for axis, component, sign in ((1, 0, 1.0), (0, 1, -1.0)):
        here = tuple(slice(None, -1) if i == axis else slice(None) for i in (0, 1))
        there = tuple(slice(1, None) if i == axis else slice(None) for i in (0, 1))
        changes = filled[here] != filled[there]
        steps = sign * (lean[there][..., component] - lean[here][..., component])
        seam[here] |= changes
        apart[here] = np.where(changes, np.maximum(apart[here], steps), apart[here])
    return seam, np.where(seam, np.maximum(apart, 0.0), 0.0)
