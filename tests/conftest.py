import os

import numpy as np
import pytest
from hypothesis import settings

pytest_plugins = ["left_out", "side_by_side"]

settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fixed"))


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator that starts the same in every test."""
    return np.random.default_rng(20240607)
