"""Local east-north-up metres <-> WGS 84 latitude, longitude and ellipsoidal height, through PROJ (pyproj).

The local frame is PROJ's topocentric conversion (EPSG methods 9836 and 9837), exact at any distance from the origin.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Transformer

from mission.camera import Origin

Array = NDArray[np.float64]


@lru_cache(maxsize=64)
def _pipeline(latitude_deg: float, longitude_deg: float, height_m: float) -> Transformer:
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84"
        f" +step +proj=topocentric +ellps=WGS84 +lat_0={latitude_deg!r} +lon_0={longitude_deg!r} +h_0={height_m!r}"
    )


class LocalFrame:
    """East-north-up metres about an origin on the WGS 84 ellipsoid."""

    def __init__(self, origin: Origin) -> None:
        self.origin = origin
        self._forward = _pipeline(float(origin.latitude_deg), float(origin.longitude_deg), float(origin.height_m))

    def enu_from_geodetic(self, geodetic: ArrayLike) -> Array:
        """East, north, up [m] of (latitude [deg], longitude [deg], ellipsoidal height [m]); shapes [..., 3]."""
        points = np.asarray(geodetic, dtype=float)
        moved = self._forward.transform(points[..., 1], points[..., 0], points[..., 2])
        return np.stack([np.asarray(part, dtype=float) for part in moved], axis=-1)

    def geodetic_from_enu(self, enu_m: ArrayLike) -> Array:
        """(latitude [deg], longitude [deg], ellipsoidal height [m]) of east, north, up [m]; shapes [..., 3]."""
        points = np.asarray(enu_m, dtype=float)
        moved = self._forward.transform(points[..., 0], points[..., 1], points[..., 2], direction="INVERSE")
        longitude, latitude, height = (np.asarray(part, dtype=float) for part in moved)
        return np.stack([latitude, longitude, height], axis=-1)
