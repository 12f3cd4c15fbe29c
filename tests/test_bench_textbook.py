"""The reference that the measurement is compared with is a good one: it finds a clean edge."""

import numpy as np
import pytest

from tests.bench.textbook import folded_deg, textbook_roll_deg

SIZE_PX = (1280, 400)


def edge(roll_deg: float, *, noise_sd: float = 2.0, step_grey: float = 80.0) -> np.ndarray:
    """A straight edge through the middle, its right end higher by the roll, blurred as pixels do."""
    x, y = np.meshgrid(np.arange(SIZE_PX[0]) - 639.5, np.arange(SIZE_PX[1]) - 199.5)
    roll = np.radians(roll_deg)
    # Pixels below the line, whose direction is (cos, -sin) with y down.
    below = np.clip(x * np.sin(roll) + y * np.cos(roll) + 0.5, 0, 1)
    noise = np.random.default_rng(3).normal(0, noise_sd, below.shape)
    return np.clip(190 - step_grey * below + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("roll_deg", [-72.0, -30.0, -0.33, 0.0, 0.05, 12.37, 45.0, 89.0])
@pytest.mark.parametrize("step_grey", [80.0, 25.0])
def test_the_textbook_way_finds_a_clean_edge(roll_deg, step_grey):
    found = textbook_roll_deg(edge(roll_deg, step_grey=step_grey))
    assert abs(folded_deg(found - roll_deg)) < 0.1


def test_an_edge_upright_has_two_names():
    assert abs(folded_deg(textbook_roll_deg(edge(90.0)) - 90.0)) < 0.1


def test_an_even_picture_has_no_line():
    assert np.isnan(textbook_roll_deg(np.full(SIZE_PX[::-1], 120, np.uint8)))
