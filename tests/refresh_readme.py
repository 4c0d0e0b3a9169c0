"""Put the outputs and the picture of a demo into README.md, where they are marked `<!-- output: … -->`.

    bayfix demo && python -m tests.refresh_readme bayfix-demo

`tests/test_readme.py` compares README.md with a demo (`-m slow`); when a change moves the numbers, run this and read the
sentences around the blocks again.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

from cli import check_words, demo, wheels
from tests.support.documents import ROOT

GAP = "…"
CHECK_ROWS, MOVES_SHOWN = 4, 3
WHEEL_ROWS = ("rear toe left", "rear toe right", "rear total toe", GAP, "thrust angle", GAP)
HIGH_PX, MARGIN_PX = 540, 8


def demo_block(document: dict[str, Any]) -> str:
    """Truth, measured, error, U, inside: without what depends on the computer."""
    return _table_of(demo.in_words(document))


def check_block(document: dict[str, Any]) -> str:
    """Verdict, the first moves, the first rows of the table, and whether the car stayed."""
    lines = check_words.in_words(document).splitlines()
    table = _table_of("\n".join(lines)).splitlines()[: 2 + CHECK_ROWS]
    car = [line for line in lines if line.startswith("car: ")]
    return "\n".join([*lines[: 2 + MOVES_SHOWN], f"  {GAP}", *table, GAP, *car])


def wheels_block(document: dict[str, Any]) -> str:
    table = _table_of(wheels.in_words(document)).splitlines()
    rows = {row: next(line for line in table if line.startswith(f"{row} ")) for row in WHEEL_ROWS if row != GAP}
    return "\n".join([*table[:2], *(rows.get(row, GAP) for row in WHEEL_ROWS)])


def refreshed(readme: str, blocks: dict[str, str]) -> str:
    """The text with the marked blocks replaced."""
    for mark, text in blocks.items():
        pattern = rf"(<!-- output: {mark} -->\n```text\n).*?(\n```\n)"
        if len(re.findall(pattern, readme, flags=re.DOTALL)) != 1:
            raise ValueError(f"there must be one block marked output: {mark}")
        readme = re.sub(pattern, lambda found, text=text: found[1] + text + found[2], readme, flags=re.DOTALL)
    return readme


def picture(folder: Path, out: Path) -> None:
    """A wheel with its board, and the target turned upright, side by side."""
    from PIL import Image

    wheel = Image.open(folder / "photos" / "roll-2" / "02.jpg").convert("RGB")
    target = Image.open(folder / "photos" / "check-1" / "01.jpg").convert("RGB").rotate(270, expand=True)
    parts = [
        part.resize((round(part.width * HIGH_PX / part.height), HIGH_PX), Image.Resampling.LANCZOS) for part in (wheel, target)
    ]
    page = Image.new("RGB", (sum(part.width for part in parts) + MARGIN_PX, HIGH_PX), "white")
    page.paste(parts[0], (0, 0))
    page.paste(parts[1], (parts[0].width + MARGIN_PX, 0))
    page.save(out, quality=82, optimize=True)


def _table_of(text: str) -> str:
    """The table in a command's output: from the line above the ruler to the next empty line."""
    lines = text.splitlines()
    ruler = next(i for i, line in enumerate(lines) if line.startswith("---"))
    end = next((i for i in range(ruler, len(lines)) if not lines[i].strip()), len(lines))
    return "\n".join(lines[ruler - 1 : end])


def main() -> None:
    if len(sys.argv) != 2 or sys.argv[1].startswith("-"):
        raise SystemExit((__doc__ or "").strip())
    folder = Path(sys.argv[1])
    documents = [
        json.loads((folder / name).read_text(encoding="utf-8"))
        for name in ("demo.json", "results/check-1.json", "results/wheels.json")
    ]
    blocks = {"demo": demo_block(documents[0]), "check": check_block(documents[1]), "wheels": wheels_block(documents[2])}
    path = ROOT / "README.md"
    path.write_text(refreshed(path.read_text(encoding="utf-8"), blocks), encoding="utf-8", newline="\n")
    picture(folder, ROOT / "synthetic_images" / "pictures" / "demo.jpg")
    print("README.md and its picture are those of this demo; read the sentences around the blocks again")


if __name__ == "__main__":
    main()
