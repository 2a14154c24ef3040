"""Where the benches put their tables: pages of docs, each table between its own two markers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parents[2] / "docs"


def put_table(name: str, text: str, results: dict[str, Any], file: str, page_name: str = "timing.md") -> None:
    """Put a bench's table in place of its last one, and its figures into `file` beside the page."""
    (DOCS / file).write_text(json.dumps(results, indent=2) + "\n")
    page = DOCS / page_name
    old = page.read_text() if page.exists() else ""
    begin, end = f"<!-- {name} table -->", f"<!-- end of {name} table -->"
    block = f"{begin}\n{text}\n{end}"
    if begin in old:
        old = old[: old.index(begin)] + block + old[old.index(end) + len(end) :]
    else:
        old += block + "\n"
    page.write_text(old)
