"""Loss of head in a straight pipe, by Hazen-Williams or Darcy-Weisbach.

- Hazen-Williams, SI form of table 3.1 of the EPANET 2.2 User Manual (its constant 4.727 is in feet
  and cubic feet a second): ``h = 10.6668 L Q^1.852 / (C^1.852 d^4.871)``. It holds for water near
  room temperature in turbulent flow.
- Darcy-Weisbach, ``h = f L/d v^2/2g``. Friction factor (same manual, chapter 12.1): Re > 4000
  Swamee-Jain, ``f = 0.25 / log10(e/(3.7 d) + 5.74/Re^0.9)^2``; Re < 2000 laminar, ``64/Re``;
  between them Dunlop's cubic, which joins both without a kink in f or its slope at 4000.

Swamee-Jain stays within 3 % of Colebrook's equation for relative roughness up to 0.01 and Reynolds
numbers up to 1e8 (tested against the ``fluids`` library). A pipe's real roughness, slime and age
matter far more (common practice, no source).
"""

from __future__ import annotations

import math

GRAVITY_M_S2 = 9.80665
HAZEN_WILLIAMS_SI = 10.6668
HAZEN_WILLIAMS_EXPONENT = 1.852
LAMINAR_BELOW = 2000.0
TURBULENT_FROM = 4000.0
LN_10 = math.log(10.0)

WATER_VISCOSITY_M2_S = 1.0e-6
"""Kinematic, of water at 20 C, rounded (1.003e-6; 1.31e-6 at 10 C: common tables, from memory). The
colder water raises the friction of smooth pipes by some 6 %, of rough ones by less."""


def hazen_williams_factor(length_m: float, diameter_m: float, coefficient: float) -> float:
    """``r`` in ``h = r Q^1.852``, h in m and Q in m3/s.

    Args:
        length_m, diameter_m: of the pipe.
        coefficient: Hazen-Williams C, about 100 (old iron) to 150 (new plastic).

    Source: EPANET 2.2 User Manual, table 3.1, in SI units.
    """
    return float(
        HAZEN_WILLIAMS_SI * length_m / (coefficient**HAZEN_WILLIAMS_EXPONENT * diameter_m**4.871)
    )


def friction_factor(reynolds: float, relative_roughness: float) -> tuple[float, float]:
    """Darcy friction factor and its change with the Reynolds number.

    Args:
        reynolds: above 0.
        relative_roughness: roughness over inner diameter.

    Returns:
        ``f`` and ``df/dRe``.

    Source: EPANET 2.2 User Manual, chapter 12.1.
    """
    if reynolds >= TURBULENT_FROM:
        term = 5.74 / reynolds**0.9
        inside = relative_roughness / 3.7 + term
        log = math.log(inside) / LN_10
        factor = 0.25 / (log * log)
        return factor, 2.0 * factor / (log * LN_10 * inside) * 0.9 * term / reynolds
    if reynolds <= LAMINAR_BELOW:
        return 64.0 / reynolds, -64.0 / reynolds**2
    return _between(reynolds, relative_roughness)


def _between(reynolds: float, relative_roughness: float) -> tuple[float, float]:
    """Dunlop's cubic in ``Re / 2000`` between laminar and turbulent flow."""
    inside = relative_roughness / 3.7 + 5.74 / TURBULENT_FROM**0.9
    y3 = -2.0 / LN_10 * math.log(inside)
    fa = 1.0 / y3**2
    fb = fa * (2.0 - 0.00514215 / (inside * y3))
    r = reynolds / LAMINAR_BELOW
    c0 = 7.0 * fa - fb
    c1 = 0.128 - 17.0 * fa + 2.5 * fb
    c2 = -0.128 + 13.0 * fa - 2.0 * fb
    c3 = 0.032 - 3.0 * fa + 0.5 * fb
    factor = c0 + r * (c1 + r * (c2 + r * c3))
    return factor, (c1 + r * (2.0 * c2 + r * 3.0 * c3)) / LAMINAR_BELOW
