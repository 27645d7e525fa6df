"""How wide 95 % is, when some errors are normal and others only known to stay within limits.

JCGM 101:2008 propagates whole distributions where JCGM 100 multiplies a combined standard uncertainty by a normal
factor. A class of rules or a rounded dimension is a limit; where one limit outweighs the rest, the normal factor would
claim more than the limit itself. Sums of one normal and any number of rectangular distributions are worked out here
by integration, so nothing is drawn at random.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr, ndtri

from calibration.budget import COVERAGE

GRID = 2001
NARROW = 1e-3  # of the widest part
TAIL = 6.0  # sigmas of the normal part that are followed


def half_width(u: float, limits: Sequence[float], share: float = COVERAGE) -> float:
    """Return the half-width that holds ``share`` of a sum centred on 0.

    Args:
        u: 1 sigma of the normal part, 0 or more.
        limits: half-widths of independent rectangular parts, 0 or more.
        share: of the cases, between 0 and 1.
    """
    limits = sorted((abs(limit) for limit in limits if limit != 0.0), reverse=True)
    if not limits:
        return float(ndtri((1.0 + share) / 2.0)) * u
    narrow = NARROW * max(u, limits[0])  # narrower than the grid resolves: as good as normal
    u = float(np.hypot.reduce([u, *(limit / np.sqrt(3.0) for limit in limits if limit < narrow)]))
    limits = [limit for limit in limits if limit >= narrow]
    if not limits:
        return half_width(u, (), share)
    u = u if u > NARROW**2 * limits[0] else 0.0
    if u == 0.0 and len(limits) == 1:
        return share * limits[0]
    reach = TAIL * u + sum(limits)
    x = np.linspace(-reach, reach, GRID)
    if u > 0.0:
        below, rest = ndtr(x / u), limits
    else:
        below, rest = np.interp(x, [-limits[0], limits[0]], [0.0, 1.0]), limits[1:]
    for limit in rest:
        total = np.concatenate([[0.0], np.cumsum(np.diff(x) * (below[1:] + below[:-1]) / 2.0)])
        upper = np.interp(x + limit, x, total) + np.maximum(x + limit - reach, 0.0)
        below = (upper - np.interp(x - limit, x, total)) / (2.0 * limit)
    middle = GRID // 2
    inside = np.maximum.accumulate(2.0 * below[middle:] - 1.0)
    return float(np.interp(share, inside, x[middle:]))
