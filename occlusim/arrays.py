"""Array types and the checks made once at a stage's door."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from occlusim.errors import InputError

Float64Array = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Int32Array = NDArray[np.int32]
Int64Array = NDArray[np.int64]
Int8Array = NDArray[np.int8]
Int16Array = NDArray[np.int16]
BoolArray = NDArray[np.bool_]
AnyArray = NDArray[Any]


def frozen(values: ArrayLike, dtype: Any) -> NDArray[Any]:
    """Return a read-only C-contiguous array of `values`; copies only where it must."""
    array = np.ascontiguousarray(values, dtype=dtype)
    if array is values:
        array = array.view()
    array.flags.writeable = False
    return array


def points_array(values: ArrayLike, name: str = "points") -> Float64Array:
    """Return `values` as an (n, 3) float64 array in mm, or raise `InputError`."""
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.ndim == 1 and array.shape == (3,):
        array = array.reshape(1, 3)
    if array.ndim != 2 or array.shape[1] != 3:
        raise InputError(f"{name}: shape {array.shape} given, (n, 3) wanted")
    return array


def unit_vector(values: ArrayLike, name: str = "direction") -> Float64Array:
    """Return `values` scaled to unit length, or raise `InputError` where it has no direction."""
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (3,):
        raise InputError(f"{name}: shape {array.shape} given, (3,) wanted")
    length = float(np.linalg.norm(array))
    if not np.isfinite(length) or length < 1e-12:
        raise InputError(f"{name}: {array.tolist()} has no direction")
    return array / length


def any_corner(mask: BoolArray, faces: Int32Array) -> BoolArray:
    """Return which faces (F, 3) have a corner in a mask (V,) of vertices."""
    return mask[faces[:, 0]] | mask[faces[:, 1]] | mask[faces[:, 2]]
