"""Signed distances: a sparse band of voxel blocks around a surface, filled from its triangles."""

from occlusim.sdf.build import build_sdf
from occlusim.sdf.field import SdfSettings, SparseSdf

__all__ = ["SdfSettings", "SparseSdf", "build_sdf"]
