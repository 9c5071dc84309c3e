"""Specimen codes that catch slips of the hand. No Django here.

A code is four characters and a check character, printed ``WXYZ-C``. The alphabet leaves out
0, 1, I, L and O, which look alike on a label. The check is a weighted sum modulo 31; 31 is prime
and the weights differ, so every single wrong character and every swap of neighbours is caught.
"""

from collections.abc import Callable

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
BODY_LENGTH = 4
WEIGHTS = (2, 3, 5, 7)


class BadCode(ValueError):
    """The text is not a specimen code; the message says why."""


def check_character(body: str) -> str:
    """Check character of a four-character body; raises `BadCode` for characters not in use."""
    if len(body) != BODY_LENGTH or any(c not in ALPHABET for c in body):
        raise BadCode(f"'{body}' is not four of the characters {ALPHABET}.")
    total = sum(w * ALPHABET.index(c) for w, c in zip(WEIGHTS, body, strict=True))
    return ALPHABET[total % len(ALPHABET)]


def clean_code(text: str) -> str:
    """The code as stored (``WXYZ-C``) from what was typed or scanned, in any case, with or
    without the dash; raises `BadCode` when it cannot be one."""
    plain = "".join(text.split()).replace("-", "").upper()
    if len(plain) != BODY_LENGTH + 1:
        raise BadCode(f"A specimen code has five characters, like 7K2M-3; '{text}' has not.")
    body, check = plain[:BODY_LENGTH], plain[BODY_LENGTH]
    if check_character(body) != check:
        raise BadCode(f"'{text}' is not a specimen code of this lab: check each character.")
    return f"{body}-{check}"


def new_code(choose: Callable[[str], str]) -> str:
    """A fresh code; `choose` picks one character of a string, such as ``secrets.choice``."""
    body = "".join(choose(ALPHABET) for _ in range(BODY_LENGTH))
    return f"{body}-{check_character(body)}"
