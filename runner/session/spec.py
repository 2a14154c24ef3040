"""The base of all mappings of a session file."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, ConfigDict

from runner.session.readers import refuse


def file_key(attribute: str) -> str:
    """Return the file's key for an attribute: `pre_roll` is `pre-roll`, `from_` is `from`."""
    return attribute.removesuffix("_").replace("_", "-")


class Spec(BaseModel):
    """A mapping of the file: frozen, unknown keys refused, keys as in the file."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        alias_generator=file_key,
        strict=True,
        hide_input_in_errors=True,
        defer_build=True,
    )

    @classmethod
    def all_defaults(cls) -> Self:
        """Return the mapping as if it stood empty in the file."""
        return cls.model_validate({})

    def given(self, *attributes: str) -> list[str]:
        """Return those of the attributes that the file sets to something."""
        return [name for name in attributes if getattr(self, name) is not None]

    def exactly_one(self, *attributes: str) -> str:
        """Return the one attribute that is set; refuse none and several."""
        found = self.given(*attributes)
        if len(found) == 1:
            return found[0]
        keys = ", ".join(file_key(name) for name in attributes)
        if not found:
            raise refuse(f"needs one of the keys {keys}")
        several = " and ".join(file_key(name) for name in found)
        raise refuse(f"must have only one of the keys {keys}, and has {several}")

    def only_with(self, attribute: str, *others: str) -> None:
        """Refuse an attribute that means nothing without one of the others."""
        if getattr(self, attribute) is not None and not self.given(*others):
            keys = " or ".join(file_key(name) for name in others)
            raise refuse(f"only goes with {keys}", at=file_key(attribute))
