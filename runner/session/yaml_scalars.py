"""What unquoted YAML scalars stand for by the 1.2 core schema, and plain words for YAML's own errors."""

from __future__ import annotations

import re
from decimal import Decimal

MAX_DIGITS = 18  #: of a number; more can be no musical quantity and would slow exact arithmetic

_NULL = frozenset(("", "~", "null", "Null", "NULL"))
_TRUE = frozenset(("true", "True", "TRUE"))
_FALSE = frozenset(("false", "False", "FALSE"))
_INT = re.compile(r"[-+]?[0-9]+\Z")
_OCTAL = re.compile(r"0o[0-7]+\Z")
_HEX = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_INFINITE = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")

Scalar = str | int | Decimal | bool | None


def resolve(text: str) -> Scalar:
    """Return what an unquoted scalar stands for by the YAML 1.2 core schema; floats come as `Decimal`.

    Raises:
        ValueError: a number with more digits than `MAX_DIGITS`, or one that is not finite.
    """
    if text in _NULL:
        return None
    if text in _TRUE:
        return True
    if text in _FALSE:
        return False
    if text[0] not in "+-.0123456789":
        return text
    if _INT.match(text):
        return int(_bounded(text))
    if _OCTAL.match(text):
        return int(_bounded(text)[2:], 8)
    if _HEX.match(text):
        return int(_bounded(text)[2:], 16)
    if _FLOAT.match(text):
        number = Decimal(_bounded(text))
        if number and abs(number.adjusted()) > MAX_DIGITS:
            raise ValueError("the number is too large or too small")
        return number
    if _INFINITE.match(text):
        raise ValueError("a number here must be finite")
    return text


def _bounded(text: str) -> str:
    if sum(char.isdigit() for char in text[:100]) > MAX_DIGITS or len(text) > 2 * MAX_DIGITS:
        raise ValueError(f"a number may have {MAX_DIGITS} digits at most")
    return text


SYNTAX: dict[str, tuple[str, str]] = {
    "mapping values are not allowed here": (
        "a colon followed by a space where no key can stand",
        "put text that holds a colon in quotes; check the indentation",
    ),
    "mapping values are not allowed in this context": (
        "a colon followed by a space where no key can stand",
        "put text that holds a colon in quotes; check the indentation",
    ),
    "exceeded maximum nesting depth": ("values are nested too deep", ""),
    "could not find expected ':'": ("a key without a colon", "write `key: value`"),
    "did not find expected key": ("a key was expected", "check the indentation and the quotes"),
    "expected <block end>, but found '<block mapping start>'": (
        "a key was expected",
        "check the indentation",
    ),
    "did not find expected ',' or ']'": ("a comma or a ] is missing before this", "close the list"),
    "did not find expected ',' or '}'": ("a comma or a } is missing before this", "close the mapping"),
    "did not find expected '-' indicator": ("a list item was expected", "begin it with a dash"),
    "found unexpected end of stream": ("the file ends inside quotes", "close the quotes"),
    "found character that cannot start any token": (
        "a character that cannot begin a value",
        "put the value in quotes",
    ),
    "found unknown escape character": (
        "an unknown escape in double quotes",
        "use single quotes or double the \\",
    ),
    "found unexpected document indicator": ("--- or ... inside quotes", "close the quotes"),
    "found a tab character that violates indentation": ("a tab in the indentation", "indent with spaces"),
}
