"""Fuzzes one way in from outside with atheris, guided by coverage, for as long as is said.

    pip install atheris
    python tests/fuzz/fuzz.py smf --minutes 60

An input that breaks a target is kept in tests/corpus/fuzz/<target>/, where the tests run it ever after; the
line that runs it again is printed. atheris needs a Python for which it has a wheel (3.11 to 3.13).
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
for place in (str(HERE), str(ROOT)):
    if place not in sys.path:
        sys.path.insert(0, place)
CORPUS = ROOT / "tests" / "corpus" / "fuzz"


def main() -> None:
    """Run the fuzzer; it exits by itself, with 77 when it found something."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("target")
    parser.add_argument("--minutes", type=float, default=10)
    given = parser.parse_args()
    import atheris

    with atheris.instrument_imports(include=["runner"]):
        from fuzz_targets import TARGETS, seeds

    if given.target not in TARGETS:
        parser.error(f"no target {given.target}; there are {', '.join(TARGETS)}")
    target = TARGETS[given.target]
    kept = CORPUS / given.target
    kept.mkdir(parents=True, exist_ok=True)

    def one(data: bytes) -> None:
        try:
            target(data)
        except Exception:
            path = kept / f"broke-{hashlib.sha256(data).hexdigest()[:12]}.bin"
            path.write_bytes(data)
            print(f"kept {path}\nagain with: python -m pytest tests/fuzz -k {path.stem}", flush=True)
            raise

    work = tempfile.mkdtemp(prefix="takewright-fuzz-corpus-")
    for number, data in enumerate(seeds(given.target)):
        Path(work, f"seed-{number}").write_bytes(data)
    options = [
        f"-max_total_time={int(given.minutes * 60)}",
        "-timeout=120",
        "-rss_limit_mb=1500",
        "-print_final_stats=1",
    ]
    options += [f"-artifact_prefix={work}/", work, str(kept)]
    atheris.Setup([sys.argv[0], *options], one)
    os.chdir(ROOT)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
