"""Invented arches with a known truth, and the script that made them."""
