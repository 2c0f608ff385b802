"""
A document as PDF, made in a process of its own, where the extra `pdf` (WeasyPrint) is installed.

Promises: the child has at most `PDF_SECONDS` and `CHILD_MEMORY_BYTES`, fetches nothing, and writes no file.
At most `PDFS_AT_ONCE` run; who comes later is answered "again later". Without the extra the page prints.
Leaves to others: the document (`templates/sheet.html`).
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import threading

from cleanside.ingest.errors import TryAgain

PDF_SECONDS = 30.0  # chosen: a sheet with a photo takes two
CHILD_MEMORY_BYTES = 1_500_000_000  # of address space; chosen: fonts and libraries take a third of it
PDFS_AT_ONCE = 2  # chosen: each takes a core for as long
MOST_PDF_BYTES = 8_000_000  # of a PDF; chosen: a photo is at most 400 kB
#: read the document, write the PDF; what a document names is not fetched, only what it brings along
_CHILD = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, ({memory}, {memory}))
resource.setrlimit(resource.RLIMIT_CPU, ({seconds}, {seconds}))
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
from weasyprint import HTML, URLFetcher
fetcher = URLFetcher(allowed_protocols=("data",), allow_redirects=False)
document = HTML(string=sys.stdin.buffer.read().decode(), url_fetcher=fetcher)
sys.stdout.buffer.write(document.write_pdf())
"""

_running = threading.BoundedSemaphore(PDFS_AT_ONCE)


def can_make() -> bool:
    """True where the extra is installed."""
    return importlib.util.find_spec("weasyprint") is not None


def pdf_of(document: str) -> bytes:
    """The PDF of an HTML document. Raises TryAgain where others are made, or it was not made in time."""
    if not _running.acquire(blocking=False):
        raise TryAgain("pdf_waits", retry_after_s=10, most=PDFS_AT_ONCE)
    try:
        return _made(document)
    finally:
        _running.release()


def _made(document: str) -> bytes:
    child = _CHILD.format(memory=CHILD_MEMORY_BYTES, seconds=int(PDF_SECONDS))
    # Nothing of the server's environment: it may hold keys.
    environment = {name: os.environ[name] for name in ("PATH", "LANG", "HOME") if name in os.environ}
    try:
        done = subprocess.run(  # our own program, and the document by standard input
            [sys.executable, "-I", "-c", child],
            input=document.encode(),
            capture_output=True,
            timeout=PDF_SECONDS,
            env=environment,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise TryAgain("pdf_not_made", retry_after_s=60, why="it took too long") from error
    if done.returncode or not done.stdout.startswith(b"%PDF-") or len(done.stdout) > MOST_PDF_BYTES:
        raise TryAgain("pdf_not_made", retry_after_s=60, why=f"its process ended with {done.returncode}")
    return done.stdout
