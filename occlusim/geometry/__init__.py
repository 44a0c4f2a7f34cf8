"""Meshes, rigid transforms and exact distances: pure geometry, in mm."""
