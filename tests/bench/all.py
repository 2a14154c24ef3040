"""Every bench, one after the other; each writes its table into docs/timing.md.

    python tests/bench/all.py --seconds 60

Takes about eight times that long and ten minutes more, and wants the computer to itself: other work is
measured too. The commands' exit codes are summed up at the end: 0 where a bench is within its limit.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
BENCHES = ("engine.py", "players.py", "relay.py")
SOCKET = ("bench_socket.py", "--rounds", "1")


def main() -> int:
    """Run them; return how many were beyond their limit."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--no-write", action="store_true", help="leave docs/timing.md as it is")
    given = parser.parse_args()
    write = [] if given.no_write else ["--write"]
    codes = {}
    for bench in BENCHES:
        print(f"== {bench}", flush=True)
        words = [sys.executable, str(HERE / bench), "--seconds", str(given.seconds), *write]
        codes[bench] = subprocess.run(words, check=False).returncode
    for name, *words in (SOCKET, ("costs.py",)):
        print(f"== {name}", flush=True)
        command = [sys.executable, str(HERE / name), *words, *write]
        codes[name] = subprocess.run(command, check=False).returncode
    print("== profile.py", flush=True)
    if shutil.which("py-spy"):
        words = [sys.executable, str(HERE / "profile.py"), "--seconds", str(max(10, given.seconds)), *write]
        codes["profile.py"] = subprocess.run(words, check=False).returncode
    else:
        print("left out: py-spy is not on the path (pip install py-spy)")
    print("== bench_plan.py, bench_set.py, bench_follower.py", flush=True)
    words = [sys.executable, "-m", "pytest", "-q", "-m", "bench", "-p", "no:randomly"]
    files = [str(HERE / name) for name in ("bench_plan.py", "bench_set.py", "bench_follower.py")]
    codes["plan, set and follower"] = subprocess.run([*words, *files], check=False).returncode
    for name, code in codes.items():
        print(f"{name:<20} {'within its limit' if code == 0 else 'beyond its limit'}")
    return sum(code != 0 for code in codes.values())


if __name__ == "__main__":
    sys.exit(main())
