import numpy as np
import pytest

from poredepth.patch.synthesise import lines, pores, wrinkles


@pytest.fixture(scope="session")
def skin() -> dict[str, np.ndarray]:
    """Reliefs like skin, mm, pits and furrows inwards; 250 to 300 texels a side."""
    return {"pores": pores(5.0, 0.02, 4), "lines": lines(5.0, 0.02, 4), "wrinkles": wrinkles(18.0, 0.06, 4)}
