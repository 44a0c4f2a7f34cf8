"""The crown: clearance, spots, thickness, reduction."""
