"""Whether a string an octave above rings along: the even partials lie apart from the odd ones.

Partial k of the higher string sounds with partial 2 k of the lower one. A true octave takes nothing
from the reading, whose first partial is the lower string's own; but the ear compares a fretted note
with the even partials of the open one, and of strings that are out by a few cents these are partly
the other's. What beats there tells nothing, since single strings beat as deep; where they lie does.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pitchbench.pitch.partials import Array

#: Partials looked at, without the first, which body and magnets move by more than any other; and
#: how many must tell: three unknowns are fitted to them.
_FROM, _UP_TO = 2, 16
_FEWEST: Final = 6
_FEWEST_OF_EITHER: Final = 2
#: How far the partials of one string lie off its law, 1 sigma, where their scatter says no more
#: (twenty real notes: 1.5 cents in the median).
_OFF_LAW_CENTS: Final = 1.5
#: The even partials lie apart if by so much, and by so many standard uncertainties (docs/method.md,
#: "Two strings an octave apart").
_APART_CENTS: Final = 2.5
_SURELY: Final = 2.0
#: Partials that scatter by more than so many times what is known of them are an old string's.
_UNEVEN: Final = 2.5


def rings_along(number: NDArray[np.int64], off_cents: Array, u_cents: Array) -> bool:
    """Whether the even partials lie apart from the law of the odd ones.

    Parameters
    ----------
    number : of the partials, shape (K,).
    off_cents : how far each lies off the law that was found for all, shape (K,).
    u_cents : how well each is known by itself, shape (K,).

    Examples
    --------
    >>> number = np.arange(1, 11)
    >>> off_cents = np.where(number % 2, 0.0, 5.0)
    >>> rings_along(number, off_cents, np.full(10, 0.5))
    True
    >>> rings_along(number, 0.1 * off_cents, np.full(10, 0.5))
    False
    """
    used = (number >= _FROM) & (number <= _UP_TO)
    number, off_cents, u_cents = number[used], off_cents[used], u_cents[used]
    even = number % 2 == 0
    if len(number) < _FEWEST or min(even.sum(), (~even).sum()) < _FEWEST_OF_EITHER:
        return False
    # Pitch and stiffness were found of even and odd ones together: they are fitted anew.
    root = 1.0 / np.hypot(u_cents, _OFF_LAW_CENTS)
    law = root[:, None] * np.stack((np.ones(len(number)), np.square(number), even), axis=1)
    covariance = np.linalg.inv(law.T @ law)
    fitted = covariance @ (law.T @ (root * off_cents))
    left = root * off_cents - law @ fitted
    scatter = max(1.0, float(np.sqrt(left @ left / (len(number) - 3))))
    surely_cents = _SURELY * scatter * float(np.sqrt(covariance[2, 2]))
    return scatter < _UNEVEN and abs(float(fitted[2])) > max(_APART_CENTS, surely_cents)
