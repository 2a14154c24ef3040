"""Real-time rights of the engine: asked for, used where given, and said plainly where not."""

from __future__ import annotations

import ctypes
import gc
import os
import sys
from dataclasses import dataclass

PRIORITY = 70  #: SCHED_FIFO, 1 to 99: above most interrupt threads (50), below the kernel's own watchdogs
SWITCH_INTERVAL_S = 0.0005  #: how long another thread of the process may hold the interpreter

_MCL_CURRENT = 1
_MCL_FUTURE = 2
_MCL_ONFAULT = 4  # lock what is touched, not what is merely reserved: thread stacks stay small


@dataclass(frozen=True, slots=True)
class Rights:
    """What the engine was allowed; `warnings` are texts for people, each with its remedy."""

    realtime: bool
    memory_locked: bool
    warnings: tuple[str, ...]


def take_rights(priority: int = PRIORITY) -> Rights:
    """Make the calling thread and all that it starts real time, and lock memory, as far as allowed.

    Call it before any port is opened: threads that a port library starts inherit the priority.
    """
    warnings: list[str] = []
    realtime = _schedule(priority, warnings)
    locked = _lock_memory(warnings)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    return Rights(realtime, locked, tuple(warnings))


def quiet_collector() -> None:
    """Keep the cyclic garbage collector out of the loop; the loop makes no cycles."""
    gc.collect()
    gc.freeze()
    gc.disable()


def _schedule(priority: int, warnings: list[str]) -> bool:
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except (PermissionError, OSError) as error:
        warnings.append(
            f"no real-time priority ({error.strerror}): a busy computer will make the clock late; "
            "run under the systemd unit, or give the user `rtprio 95` in /etc/security/limits.d"
        )
        return False
    return True


def _lock_memory(warnings: list[str]) -> bool:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) != 0:
        reason = os.strerror(ctypes.get_errno())
        warnings.append(
            f"memory is not locked ({reason}): swapping can stop the clock; "
            "run under the systemd unit, or give the user `memlock unlimited` in /etc/security/limits.d"
        )
        return False
    return True
