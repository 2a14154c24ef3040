"""What to try against lateness: only what the take does not show to be done already. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_REST = (
    "on a virtual machine see that its host leaves it its cores; set the cores' governor to performance; "
    "keep other work off; `takewright bench` measures what is left and names the rest"
)


def lateness_advice(rights: Mapping[str, Any]) -> str:
    """Return what helps a computer that was late, or nothing if the usual advice holds.

    `rights` are those of the take's header: "realtime" (the engine had real-time priority) and
    "memory_locked"; a take that does not say gets the usual advice.
    """
    if rights.get("realtime") is not True:
        return ""
    if rights.get("memory_locked") is False:
        return (
            "the engine had real-time priority, but its memory was not locked: give the user "
            f"`memlock unlimited` or run under the systemd unit; then {_REST}"
        )
    return f"the engine had real-time priority already: {_REST}"
