"""Gaps, patches and loads between two surfaces at a pose."""
