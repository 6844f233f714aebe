"""Normal gravity at sea level: an outsider can check it with Somigliana's closed form and a pocket calculator.

WGS 84: gravity at the equator 9.7803253359 and at the poles 9.8321849378 m/s² (defining and derived constants, NIMA
TR8350.2; seen in secondary copies). GRS 80: Moritz, H. (1988), Geodetic Reference System 1980, Bulletin Géodésique
62(3):356, normal gravity 9.780326772, 9.806199203, 9.832186368 m/s² at 0, 45 and 90 degrees (seen in a secondary copy).
"""

from __future__ import annotations

import pytest

from forcekit.constants import STANDARD_GRAVITY_MPS2, local_gravity


@pytest.mark.parametrize(
    ("latitude_deg", "published"), [(0.0, 9.7803253359), (90.0, 9.8321849378), (-90.0, 9.8321849378)]
)
def test_wgs84_at_equator_and_poles(latitude_deg: float, published: float) -> None:
    """To the last printed digit (copies print ...378 and ...379 at the pole: two units)."""
    assert local_gravity(latitude_deg) == pytest.approx(published, abs=1.1e-10)


@pytest.mark.parametrize(("latitude_deg", "published"), [(0.0, 9.780326772), (45.0, 9.806199203), (90.0, 9.832186368)])
def test_grs80_within_the_known_difference(latitude_deg: float, published: float) -> None:
    """forcekit uses WGS 84, which is 1.43e-6 m/s² lower than GRS 80 everywhere (1.4356e-6 at the equator)."""
    assert published - local_gravity(latitude_deg) == pytest.approx(1.432e-6, abs=5e-9)


def test_north_and_south_are_alike() -> None:
    """The ellipsoid is symmetric."""
    assert local_gravity(-33.9) == local_gravity(33.9)


def test_gravity_falls_with_height() -> None:
    """The free-air gradient of 3.086e-6 per s² (printed to four digits): 1000 m make 3.086e-3 m/s²."""
    assert local_gravity(45.0) - local_gravity(45.0, 1000.0) == pytest.approx(3.086e-3, abs=5e-7)


@pytest.mark.unseen
def test_standard_gravity() -> None:
    """9.80665 m/s² exactly (3rd CGPM, 1901; from memory), used where no latitude is given."""
    assert (STANDARD_GRAVITY_MPS2, local_gravity(None)) == (9.80665, 9.80665)
