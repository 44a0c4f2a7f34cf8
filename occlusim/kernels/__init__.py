"""Compiled kernels: arrays in, arrays out, no errors raised. Only `jit` imports numba."""
