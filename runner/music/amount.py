"""Exact numbers as people write them in bars, beats and seconds: ``3``, ``2.5``, ``1/2``, ``1 1/3``."""

from __future__ import annotations

import re
from fractions import Fraction

MAX_DIGITS = 12  #: more than this in one amount is a slip of the pen, and would make arithmetic slow

_WHOLE_OR_DECIMAL = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_FRACTION = re.compile(r"(?:([0-9]+)\s+)?([0-9]+)\s*/\s*([0-9]+)")


def parse_amount(text: str) -> Fraction:
    """Return the number that `text` writes: whole, decimal, fraction or mixed; never negative.

    Raises ValueError, in words for the user, for anything else and for more than 12 digits.
    """
    text = text.strip()
    if sum(character.isdigit() for character in text) > MAX_DIGITS:
        raise ValueError(f"{shorten(text)!r} has more than {MAX_DIGITS} digits")
    if _WHOLE_OR_DECIMAL.fullmatch(text):
        return Fraction(text)
    match = _FRACTION.fullmatch(text)
    if match:
        whole, numerator, denominator = (int(part or 0) for part in match.groups())
        if denominator == 0:
            raise ValueError(f"{text!r} divides by zero")
        return whole + Fraction(numerator, denominator)
    if re.fullmatch(r"[0-9]+,[0-9]+", text):
        raise ValueError(f"{text!r} has a decimal comma, write {text.replace(',', '.')!r}")
    raise ValueError(f"{shorten(text)!r} is not a number such as 3, 2.5, 1/2 or 1 1/2")


def amount_text(amount: Fraction) -> str:
    """Return `amount` (0 or more) as `parse_amount` reads it back.

    Decimals when three places are exact, else a mixed number. An amount that no text of 12 digits can
    say exactly (only a computed one) is cut to six places, never rounded up into the next beat.
    """
    if amount < 0:
        raise ValueError(f"cannot write a negative amount: {amount}")
    if (amount * 1000).denominator == 1:
        return _decimal(amount, 3)
    whole, rest = divmod(amount.numerator, amount.denominator)
    fraction = f"{rest}/{amount.denominator}"
    texts = [f"{whole} {fraction}" if whole else fraction, f"{amount.numerator}/{amount.denominator}"]
    if (amount * 10**MAX_DIGITS).denominator == 1:
        texts.append(_decimal(amount, MAX_DIGITS))
    for text in texts:
        if sum(character.isdigit() for character in text) <= MAX_DIGITS:
            return text
    return _decimal(amount, 6)


def shorten(text: str, limit: int = 60) -> str:
    """Return `text`, cut with an ellipsis when it is too long for an error message."""
    return text if len(text) <= limit else text[: limit - 1] + "…"


def _decimal(amount: Fraction, places: int) -> str:
    scaled = amount.numerator * 10**places // amount.denominator
    whole, rest = divmod(scaled, 10**places)
    digits = f"{rest:0{places}d}".rstrip("0")
    return f"{whole}.{digits}" if digits else str(whole)
