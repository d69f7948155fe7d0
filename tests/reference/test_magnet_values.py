"""If this fails, the field of a magnet contradicts a worked value or another library."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.magnet import Magnet, axial_field_t, field_t

DISC = Magnet(diameter_m=0.020, length_m=0.005, remanence_t=1.32)


def test_worked_value() -> None:
    # Br 1.32 T, L/D 0.25: face 295.2 mT, 5 mm out 171.5 mT (a calculator page, read);
    # 295.161 and 171.530 recomputed, magpylib 6.3 171.530 (run)
    np.testing.assert_allclose(
        axial_field_t(DISC, [0.0, 5e-3]) * 1e3, [295.161, 171.530], atol=5e-4
    )


@pytest.mark.needs_system("magpylib", "pip install magpylib==6.3.0", module="magpylib")
def test_any_place_against_magpylib() -> None:
    import magpylib

    rng = np.random.default_rng(20)
    distance, radius = rng.uniform(0.3e-3, 20e-3, 200), rng.uniform(0.0, 40e-3, 200)
    axial, radial = field_t(DISC, distance, radius)
    other = magpylib.magnet.Cylinder(polarization=(0, 0, 1.32), dimension=(0.020, 0.005))
    places = np.stack([radius, np.zeros(200), distance + 2.5e-3], axis=1)
    field = other.getB(places)
    np.testing.assert_allclose(axial, field[:, 2], atol=1e-12)
    np.testing.assert_allclose(radial, field[:, 0], atol=1e-12)
