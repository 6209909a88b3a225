"""as_built.json as the report reads it: mounting, figures, Zernike terms and findings of the built mirror.

`rigwarp.files.as_built_file` writes it, from an `AsBuilt`. Older versions had figures beside each other instead of in a
block, and Zernike terms as lists [n, m, um, sigma].
"""

import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, ClassVar, Final, Literal, Self

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files.reading import read_bytes
from rigwarp.files.records.record import Block, Flag, Number, Numbers, Part, Record, Text, Texts, finite
from rigwarp.geometry import Array

_TERMS = "terms"


@dataclass(frozen=True, kw_only=True)
class FormRecord(Part):
    """Form figures; see `rigwarp.as_built.describe.form`. Older files call the rms `figure_rms_um`."""

    figure_rms_um: Number = None
    rms_um: Number = None
    pv_um: Number = None
    pv_99_um: Number = None
    power_pv_um: Number = None
    rms_without_power_um: Number = None
    pv_without_power_um: Number = None
    rms_rotational_um: Number = None
    rms_asymmetric_um: Number = None
    slope_rms_mrad: Number = None
    slope_rms_without_power_mrad: Number = None
    noise_rms_um: Number = None
    n: Number = None
    spacing_mm: Number = None
    from_: Text = None


@dataclass(frozen=True, kw_only=True)
class PowerRecord(Part):
    """Whether the data tell the mirror's power, a sentence about it, and one on what would tell it."""

    determined: Flag = None
    prior_share_of_variance: Number = None
    radius: Block = None
    note: Text = None
    decided_by: Text = None


@dataclass(frozen=True, kw_only=True)
class SignRecord(Part):
    """What the signs mean: of heights in words; +1 where the side that reflects looks along the mirror's z, else -1."""

    height: Text = None
    reflecting_side_along_mirror_z: Number = None


@dataclass(frozen=True, kw_only=True)
class TermRecord(Part):
    """A Zernike term (n, m), OSA/ANSI order and norm; NaN where the data do not tell it."""

    n: int
    m: int
    um: Number = None
    sigma_um: Number = None


@dataclass(frozen=True, kw_only=True)
class FindingRecord(Part):
    """A finding in workshop words; see `rigwarp.as_built.describe.findings`."""

    what: Text = None
    cause: Text = None
    remedy: Text = None
    moves_mm: Number = None
    prewarp: Text = None
    effect: Text = None


@dataclass(frozen=True, kw_only=True)
class FoldRecord(Part):
    """By how much the fold between two panels is built flatter (+) than designed; NaN where that is not told."""

    zones: Numbers = None
    opened_deg: Number = None
    sigma_deg: Number = None

    @property
    def between(self) -> tuple[int, int] | None:
        """The panels' zones; None where the file names no two."""
        zones = self.zones or ()
        return (int(zones[0]), int(zones[1])) if len(zones) == 2 and all(map(math.isfinite, zones)) else None


@dataclass(frozen=True, kw_only=True)
class PoseEntry(Part):
    """One number of the mounting, found against rig.toml; its key names the unit. NaN: not told by the scan."""

    value: Number = None
    sigma: Number = None
    tolerance: Number = None


@dataclass(frozen=True, kw_only=True)
class PoseRecord(Part):
    """The mounting: entries by key, those of nested blocks beside the others; `more` is whatever has another form."""

    entries: Mapping[str, PoseEntry]
    from_: Text = None

    @classmethod
    def from_dict(cls, contents: Mapping[str, Any]) -> Self:
        """The record of the `pose` block."""
        flat: dict[str, Any] = {}
        for key, value in contents.items():
            nested = isinstance(value, Mapping) and value and all(isinstance(one, Mapping) for one in value.values())
            flat |= value if nested else {key: value}
        origin = flat.pop("from", None)
        return cls(
            entries={key: PoseEntry.from_dict(one) for key, one in flat.items() if isinstance(one, Mapping)},
            from_=origin if isinstance(origin, str) else None,
            more={key: one for key, one in flat.items() if not isinstance(one, Mapping)},
        )

    def to_dict(self) -> dict[str, Any]:
        """The `pose` block, flat."""
        entries = {key: one.to_dict() for key, one in self.entries.items()}
        return {**entries, **self.more, **({} if self.from_ is None else {"from": self.from_})}


@dataclass(frozen=True, kw_only=True)
class AsBuiltRecord(Record):
    """as_built.json.

    Attributes
    ----------
    pose, figures, power, findings, folds : see their classes.
    unobservable : what the data cannot tell, by name.
    terms : the Zernike terms.
    disk : what the file says of their disk.
    sign : what the signs mean.
    more : panels, defects, ripple, zones, the fit and whatever else is there.
    """

    FORMAT: ClassVar[str] = "rigwarp as built"

    pose: PoseRecord | None = None
    unobservable: Texts = ()
    power: PowerRecord | None = None
    figures: FormRecord | None = None
    findings: tuple[FindingRecord, ...] = ()
    folds: tuple[FoldRecord, ...] = ()
    terms: tuple[TermRecord, ...] = ()
    disk: Block = None
    sign: SignRecord | None = None

    @property
    def reflecting_side(self) -> Literal[-1, 1] | None:
        """See `SignRecord`; None where the file does not tell."""
        side = None if self.sign is None else self.sign.reflecting_side_along_mirror_z
        return 1 if side == 1 else -1 if side == -1 else None

    @classmethod
    def from_dict(cls, contents: Mapping[str, Any]) -> Self:
        """The record of JSON values, of this version or an older one."""
        rest = dict(contents)
        zernike = rest.pop("zernike", None)
        disk = dict(zernike) if isinstance(zernike, Mapping) else {}
        listed = disk.pop(_TERMS, None) if disk else zernike
        named = {one.name for one in fields(FormRecord)}
        beside = {key: rest.pop(key) for key in list(rest) if key in named}
        block = rest.pop("figures", None)
        rest["figures"] = {**beside, **(block if isinstance(block, Mapping) else {})}
        rest["terms"] = [term for term in map(_term, listed if isinstance(listed, list) else []) if term]
        return super().from_dict({**rest, **({"disk": disk} if disk else {})})

    def to_dict(self) -> dict[str, Any]:
        """JSON values as this version writes them."""
        values = super().to_dict()
        terms, disk = values.pop(_TERMS), values.pop("disk", {})
        return {**values, "zernike": {_TERMS: terms, **disk}} if terms or disk else values


def _term(entry: Any) -> dict[str, Any] | None:
    """A term as an object, whether it is one or a list; None for neither."""
    if isinstance(entry, Mapping):
        entry = [entry.get("n"), entry.get("m"), entry.get("um"), entry.get("sigma_um", entry.get("sigma"))]
    if not (isinstance(entry, list) and len(entry) >= 3 and all(type(k) is int for k in entry[:2])):
        return None
    return dict(zip(("n", "m", "um", "sigma_um"), (*entry[:2], *map(finite, entry[2:4])), strict=False))


GRIDS: Final = ("height_um", "height_sigma_um", "slope_x_mrad", "slope_y_mrad")


@dataclass(frozen=True, kw_only=True)
class MirrorGrid:
    """The built mirror less its design on a grid, mirror frame; None where the file lacks an array, NaN outside.

    Attributes
    ----------
    x_mm, y_mm : (nx,), (ny,).
    height_um, height_sigma_um, slope_x_mrad, slope_y_mrad : (ny, nx).
    """

    x_mm: Array
    y_mm: Array
    height_um: Array | None = None
    height_sigma_um: Array | None = None
    slope_x_mrad: Array | None = None
    slope_y_mrad: Array | None = None


def read_mirror_grid(path: Path) -> MirrorGrid:
    """The arrays of an as-built file that agree with each other, of any version.

    Raises
    ------
    InputError
        If the file is missing or damaged, or has no grid.
    """
    data = read_bytes(path)
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            arrays = {
                name: np.asarray(archive[name], float) for name in ("x_mm", "y_mm", *GRIDS) if name in archive.files
            }
    except Exception as error:  # numpy and zipfile raise a dozen kinds on damaged archives
        raise InputError(f"{path}: not a readable npz file ({type(error).__name__}). Make the result again.") from error
    x, y = arrays.pop("x_mm", None), arrays.pop("y_mm", None)
    if x is None or y is None or x.ndim != 1 or y.ndim != 1 or min(len(x), len(y)) < 2:
        raise InputError(f"{path}: found no grid x_mm, y_mm in it. Make the result again.")
    shape = (len(y), len(x))
    return MirrorGrid(x_mm=x, y_mm=y, **{name: array for name, array in arrays.items() if array.shape == shape})
