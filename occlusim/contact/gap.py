"""Gaps between surfaces: fields, least gap, clipped integrals. Negative where they overlap."""

from occlusim.contact.field import GapField
from occlusim.contact.least import LeastGap, known_fraction, least_gap
from occlusim.contact.overlap import ClippedIntegrals, clipped_integrals

__all__ = [
    "ClippedIntegrals",
    "GapField",
    "LeastGap",
    "clipped_integrals",
    "known_fraction",
    "least_gap",
]
