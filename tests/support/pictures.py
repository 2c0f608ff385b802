"""
Makes the pictures of the documents from the demo, in a real browser: fleet at a desk, visit on a phone.

    python -m tests.support.pictures

The demo's seed is fixed, so the fleet is the same; dates follow the day on which it is run.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.browser.chromium import chromium, page_in

FOLDER = Path(__file__).parents[2] / "ingest" / "docs" / "pictures"
MOST_BYTES = 200_000
_STAYS_UP = re.compile(r"The server stays up at (\S+),")
#: name -> address, width and height [CSS px]
PICTURES = {
    "fleet": ("/fleet", 1280, 900),
    "visit": ("/visit/grader-11", 390, 1100),
}


def main() -> int:
    """Make all pictures. Exit code 1 where one is too large."""
    sizes = {}
    with tempfile.TemporaryDirectory() as folder, demo(Path(folder) / "demo") as url, chromium() as browser:
        token = (Path(folder) / "demo" / "admin.key").read_text().strip()
        for name, (address, width, height) in PICTURES.items():
            size = {"width": width, "height": height}
            with page_in(browser, url, token, viewport=size, locale="en-GB", color_scheme="light") as page:
                page.goto(address)
                path = FOLDER / f"{name}.png"
                page.screenshot(path=path)
                sizes[path] = path.stat().st_size
    for path, taken in sizes.items():
        sys.stdout.write(f"{path.name}: {taken:,} bytes\n")
    return 1 if max(sizes.values()) > MOST_BYTES else 0


@contextmanager
def demo(folder: Path) -> Iterator[str]:
    """The demo's server while this lasts; its address. folder : one that is not there yet."""
    command = [sys.executable, "-m", "simulator", "demo", "--serve", "--folder", str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        found = next(match for line in process.stdout if (match := _STAYS_UP.search(line)))
        yield found[1]
    finally:
        process.terminate()
        process.wait(60)


if __name__ == "__main__":
    sys.exit(main())
