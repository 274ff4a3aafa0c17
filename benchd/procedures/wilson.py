"""A share of passes, and between what ends it lies. Pure."""

from __future__ import annotations

import math

NORMAL_95 = 1.959963984540054
"""Two-sided 95 % point of the standard normal distribution (any table)."""


def wilson(passed: int, of: int) -> tuple[float, float]:
    """Ends of the 95 % interval of a share, `passed` of `of`, each from 0 to 1.

    The score interval: (p + z²/2n ± z·√(p(1-p)/n + z²/4n²)) / (1 + z²/n) (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927;
    NIST/SEMATECH e-Handbook of Statistical Methods §7.2.4.1). Raises ValueError unless 0 <= passed <= of and of > 0.
    """
    if not (0 <= passed <= of and of > 0):
        raise ValueError(f"{passed} of {of}: allowed is at least 1 try, and from none to all of them passed")
    z2 = NORMAL_95**2
    share = passed / of
    middle = share + z2 / (2 * of)
    reach = NORMAL_95 * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    whole = 1 + z2 / of
    # Rounding must not keep none and all from their own ends.
    low = 0.0 if passed == 0 else (middle - reach) / whole
    high = 1.0 if passed == of else (middle + reach) / whole
    return low, high
