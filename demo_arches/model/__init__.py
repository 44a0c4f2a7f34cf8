"""The parametric model behind the demo arches."""
