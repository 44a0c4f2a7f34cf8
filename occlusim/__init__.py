"""occlusim: dental occlusion and contact, from scans to an adjusted crown."""

__version__ = "0.1.0"
