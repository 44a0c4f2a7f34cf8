"""Rigid registration of the bite: joint point-to-plane, with its quality."""
