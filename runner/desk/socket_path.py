"""Where the control socket of a session lies. Pure: the environment and the user's number are given.

The daemon and those who talk to it find the same place by the same rule: `TAKEWRIGHT_SOCKET` if it is set;
in a systemd service `control.sock` in its runtime directory; else a file named after the session file in
the user's runtime directory, or below /tmp where there is none.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from pathlib import Path

VARIABLE = "TAKEWRIGHT_SOCKET"
SERVICE_NAME = "control.sock"  #: in the runtime directory of a systemd service
_LONGEST_SLUG = 40  #: a socket's path may have 107 bytes


def slug(text: str) -> str:
    """Return a short file name for any text: small letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:_LONGEST_SLUG].rstrip("-") or "session"


def user_folder(env: Mapping[str, str], uid: int) -> Path:
    """Return the folder of a user's own control sockets."""
    runtime = env.get("XDG_RUNTIME_DIR", "")
    return Path(runtime) / "takewright" if runtime.startswith("/") else Path(f"/tmp/takewright-{uid}")


def socket_path(session_file: str | Path, env: Mapping[str, str], uid: int) -> Path:
    """Return where the daemon of a session file opens its control socket."""
    given = env.get(VARIABLE, "")
    if given:
        return Path(given)
    service = env.get("RUNTIME_DIRECTORY", "").split(":")[0]  # systemd gives several with colons between
    if service.startswith("/"):
        return Path(service) / SERVICE_NAME
    return user_folder(env, uid) / f"{slug(Path(session_file).stem)}.sock"


def places_to_look(
    session_file: str | Path | None, env: Mapping[str, str], uid: int, run: Path = Path("/run")
) -> tuple[tuple[Path, str], ...]:
    """Return (folder, pattern) of every place where a daemon's socket may be, the likeliest first.

    With a session file only those that can be its daemon's; services of the system lie below `run`.
    """
    name = "*" if session_file is None else slug(Path(session_file).stem)
    return (
        (user_folder(env, uid), f"{name}.sock"),
        (run / "takewright", f"{name}/{SERVICE_NAME}"),
        (run / "takewright", f"{name}.sock"),
        (run, f"takewright-{name}/{SERVICE_NAME}"),
    )
