"""What can be seen of a computer that matters for keeping time; read-only, silent where it may not look."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Computer:
    """The facts. Texts are empty where the system does not say."""

    cores: int
    system: str  #: the kernel and its release
    preemption: str  #: "real time", "chosen at boot" or ""
    governors: tuple[str, ...]  #: of the cores' frequencies, each once
    virtual: bool  #: a guest on a host's computer
    swap_used_mb: float

    def lines(self) -> list[str]:
        """Return the facts for people."""
        rows = [f"{self.cores} cores, {self.system}"]
        if self.virtual:
            rows[0] += ", a virtual machine"
        if self.governors:
            rows.append(f"frequency governor {' and '.join(self.governors)}")
        return rows


def read_computer(root: Path = Path("/")) -> Computer:
    """Look at this computer; `root` is for tests."""
    files = root.glob("sys/devices/system/cpu/cpu[0-9]*/cpufreq/scaling_governor")
    governors = sorted({_text(path) for path in files} - {""})
    version = _text(root / "proc/version")
    if "PREEMPT_RT" in version:
        preemption = "real time"
    elif "PREEMPT_DYNAMIC" in version:
        preemption = "chosen at boot"
    else:
        preemption = ""
    flags = next((row for row in _text(root / "proc/cpuinfo").splitlines() if row.startswith("flags")), "")
    memory = dict(_numbers(_text(root / "proc/meminfo").splitlines()))
    return Computer(
        cores=os.cpu_count() or 1,
        system=f"{platform.system()} {platform.release()}",
        preemption=preemption,
        governors=tuple(governors),
        virtual=" hypervisor" in flags,
        swap_used_mb=(memory.get("SwapTotal", 0) - memory.get("SwapFree", 0)) / 1000,
    )


def _numbers(lines: Sequence[str]) -> list[tuple[str, int]]:
    pairs = (line.split() for line in lines)
    return [(words[0].rstrip(":"), int(words[1])) for words in pairs if len(words) > 1 and words[1].isdigit()]


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
