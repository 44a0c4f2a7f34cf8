"""Signed distances: a sparse band of voxel blocks around a surface, filled from its triangles."""

from occlusim.sdf.build import build_sdf
from occlusim.sdf.field import SdfSettings, SparseSdf
from occlusim.sdf.store import FieldCache, field_key, load_sdf, save_sdf

__all__ = [
    "FieldCache",
    "SdfSettings",
    "SparseSdf",
    "build_sdf",
    "field_key",
    "load_sdf",
    "save_sdf",
]
