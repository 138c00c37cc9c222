"""Quantities with units in configuration files: "80 ft", "23 mm", "1/2000 s", "25 knot" are parsed by pint, SI is stored.

A bare number is taken to be in the SI unit of the field (metres, seconds, metres per second; degrees for angles), and a
wrong dimension ("12 kg" for a height) is refused by name.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated, Any

from pint import UnitRegistry
from pint.errors import PintError
from pydantic import BeforeValidator


@lru_cache(maxsize=1)
def _registry() -> UnitRegistry:
    return UnitRegistry()


def parse_quantity(value: Any, unit: str) -> float:
    """Return ``value`` as a finite float in ``unit`` (a pint unit name).

    Raises ValueError with a phrase that fits after "must" when the text has no such unit or dimension.
    """
    if isinstance(value, bool) or value is None:
        raise ValueError(f"be a quantity in {unit}")
    if isinstance(value, int | float):
        number = float(value)
    else:
        text = str(value).strip()
        if len(text) > 60:
            raise ValueError(f"be a short quantity in {unit}")
        try:
            quantity = _registry().Quantity(text)
            # A dimensionless text ("1/2000") is a bare number in the field's own unit.
            number = float(
                quantity.magnitude
                if quantity.dimensionless and unit != "dimensionless"
                else quantity.to(unit).magnitude
            )
        except (
            PintError,
            ValueError,
            TypeError,
            AttributeError,
            SyntaxError,
            ZeroDivisionError,
            OverflowError,
        ):
            raise ValueError(f"be a quantity that converts to {unit}") from None
        except Exception:  # pint lets tokenizer errors of several kinds through; all mean the same to the reader
            raise ValueError(f"be a quantity that converts to {unit}") from None
    if not math.isfinite(number):
        raise ValueError(f"be a finite quantity in {unit}")
    return number


def _in(unit: str) -> BeforeValidator:
    return BeforeValidator(lambda value: parse_quantity(value, unit))


Metres = Annotated[float, _in("metre")]
Millimetres = Annotated[float, _in("millimetre")]
Seconds = Annotated[float, _in("second")]
MetresPerSecond = Annotated[float, _in("metre / second")]
Degrees = Annotated[float, _in("degree")]
Electrons = Annotated[float, _in("dimensionless")]
