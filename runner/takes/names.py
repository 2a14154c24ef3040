"""Folder names for sessions, songs and passes: safe on every file system, and reversible.

Pure. Characters that some file system refuses or treats specially are written as ``%`` and two hex
digits for each byte of their UTF-8 form; the rest stays readable. A name that would grow over the usual
limit of 255 bytes is cut and ends in a checksum; the true name is in the take's files in any case.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from urllib.parse import unquote_to_bytes

MAX_BYTES = 200  #: leaves room for temporary names beside it
_UNSAFE = re.compile(r'[\x00-\x1f\x7f"%*/:<>?\\|]')
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
_TAKE = re.compile(r"take-(\d{4,9})")


def safe_name(text: str) -> str:
    """Return a folder name for any text; texts that differ (after Unicode NFC) get names that differ."""
    text = unicodedata.normalize("NFC", text)
    if not text:
        return "%"
    name = _UNSAFE.sub(lambda match: _escape(match[0]), text)
    if name[0] in ". " or _RESERVED.match(name):
        name = _escape(name[0]) + name[1:]
    if name[-1] in ". ":
        name = name[:-1] + _escape(name[-1])
    raw = name.encode("utf-8", "surrogatepass")
    if len(raw) <= MAX_BYTES and not any("\ud800" <= letter <= "\udfff" for letter in name):
        return name
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    return raw[: MAX_BYTES - 20].decode("utf-8", "ignore").rstrip(". %") + "%~" + digest


def _escape(letter: str) -> str:
    return "".join(f"%{byte:02X}" for byte in letter.encode("utf-8"))


def true_name(name: str) -> str:
    """Return the text that `safe_name` made a name of (of a cut name, what is left of it)."""
    if name == "%":
        return ""
    return unquote_to_bytes(name.split("%~")[0]).decode("utf-8", "replace")


def take_name(number: int) -> str:
    """Return the folder name of a take: ``take-0007``."""
    return f"take-{number:04d}"


def take_number(name: str) -> int | None:
    """Return the number in a take's folder name, or None if it is none."""
    match = _TAKE.fullmatch(name)
    return int(match[1]) if match else None
