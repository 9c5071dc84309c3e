"""Codes that say nothing: numbers drawn by lot for the specimens of a blind study."""

from collections.abc import Iterable, Sequence

import numpy as np


def blind_codes(
    specimens: Sequence[str], *, seed: int, taken: Iterable[str] = ()
) -> dict[str, str]:
    """A number of its own for every specimen, with two figures or as many as needed.

    Parameters
    ----------
    specimens : sequence of str
        Codes in any order: the draw depends on the set and the seed only.
    seed : int
        Decides the draw.
    taken : iterable of str
        Numbers that are given away already.
    """
    used = set(taken)
    named = sorted(specimens)
    least = 10
    while least * 9 < 3 * (len(named) + len(used)):
        least *= 10
    numbers = [str(n) for n in range(least, least * 10) if str(n) not in used]
    draw = np.random.default_rng([seed, 3])
    chosen = draw.choice(len(numbers), size=len(named), replace=False)
    return {code: numbers[int(k)] for code, k in zip(named, chosen, strict=True)}
