"""A laid rule's height by what its walls show and by what such rules usually are, together; mm, 1 sigma."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

FAR_SIGMAS = 2.0  # what is seen and what is usual cannot both be so where they are this far apart
SHARED_PART = 0.8  # of the best wall's sigma, that several walls of one thing share
# No wall, and no list of what is usual, makes it surer than this that two bodies are one square, or that they are not.
SUREST = 0.97


@dataclass(frozen=True)
class Height:
    """A height above the paper and its 1 sigma, mm."""

    mm: float
    u_mm: float

    def with_other(self, other: Height) -> Height:
        """Return the weighted mean of both."""
        return mean_height([self, other])

    def log_chance(self, usual: Height) -> float:
        """Return the logarithm of the likelihood that this is seen where that is usual."""
        u = float(np.hypot(self.u_mm, usual.u_mm))
        return -0.5 * ((self.mm - usual.mm) / u) ** 2 - float(np.log(u))


def mean_height(found: Sequence[Height]) -> Height:
    """Return the weighted mean of some heights."""
    weight = np.array([one.u_mm for one in found]) ** -2.0
    return Height(float(weight @ [one.mm for one in found] / weight.sum()), float(weight.sum() ** -0.5))


def seen_height(walls: Iterable[Height | None]) -> Height | None:
    """Return the height that the walls of one thing show, or None where none shows."""
    seen = [wall for wall in walls if wall is not None]
    if not seen:
        return None
    found = mean_height(seen)  # the light and the lens are the same for all
    return Height(found.mm, max(found.u_mm, min(wall.u_mm for wall in seen) * SHARED_PART))


def as_usual_too(seen: Height, usual: Height, *, flat: bool) -> Height:
    """Return the height by what is seen and what is usual.

    Where the two cannot both be so, what is seen counts, and is as uncertain as they are apart. Beside plastic and
    wood, whose bevel is thin, the shadow on the paper may be what is seen: there it is the middle.
    """
    apart = abs(seen.mm - usual.mm)
    if apart > FAR_SIGMAS * np.hypot(seen.u_mm, usual.u_mm):
        return Height(seen.mm if flat else (seen.mm + usual.mm) / 2.0, max(seen.u_mm, apart / FAR_SIGMAS))
    return seen.with_other(usual)


def of_two(
    own: Height | None, other: Height | None, usual: tuple[Height, Height], square: Height, before: float
) -> Height:
    """Return the height of one of two bodies that are the arms of one square, or rules laid against each other.

    The mean over both cases, each as likely as the walls make it.

    Args:
        own: as its walls show it, if they do.
        other: the same of the other body.
        usual: of the two, were they rules.
        square: usual of a square.
        before: how likely they are one, as far as all but the walls tell.
    """
    rules_log, square_log, as_square = float(np.log1p(-before)), float(np.log(before)), square
    for seen, such in zip((own, other), usual, strict=True):
        if seen is not None:
            rules_log += seen.log_chance(such)
            square_log += seen.log_chance(as_square)
            as_square = as_square.with_other(seen)
    as_rule = usual[0] if own is None else usual[0].with_other(own)
    share = float(np.clip(1.0 / (1.0 + np.exp(np.clip(rules_log - square_log, -50, 50))), 1.0 - SUREST, SUREST))
    mm = share * as_square.mm + (1.0 - share) * as_rule.mm
    square_mm2 = share * (as_square.u_mm**2 + (as_square.mm - mm) ** 2)
    return Height(mm, float(np.sqrt(square_mm2 + (1.0 - share) * (as_rule.u_mm**2 + (as_rule.mm - mm) ** 2))))
