"""
How a message looks as HTML: the tokens of the pages, written into each element.

Mail programs read neither a sheet beside the page nor custom properties, so a style stands at its element.
Promises: the values are those of `static/look.css`, light mode; nothing is loaded from anywhere.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache

from cleanside.ingest.console.static_files import FOLDER

#: element of a message -> its style; a word in braces is a token of the sheet
STYLES: Mapping[str, str] = {
    "body": "margin:0;padding:0;background:{paper};color:{ink};font:16px/1.45 {sans}",
    "sheet": "max-width:38em;margin:0 auto;padding:20px 16px;overflow-wrap:anywhere",
    "brand": "margin:0 0 12px;padding:0 0 8px;border-bottom:1px solid {ink};font:italic 600 17px {serif}",
    "h1": "margin:0 0 12px;font:600 22px/1.2 {serif}",
    "h2": "margin:20px 0 8px;padding:8px 0 0;border-top:2px solid {ink};font:600 17px/1.2 {serif}",
    "h3": "margin:12px 0 4px;color:{ink2};font:400 13px/1.45 {sans}",
    "p": "margin:0 0 8px",
    "said": "margin:0 0 8px;font:17px/1.4 {serif}",
    "row": "margin:0;padding:8px 0;border-top:1px solid {line}",
    "small": "color:{ink2};font-size:13px",
    "button": "display:inline-block;margin:8px 0;padding:11px 20px;border:1px solid {ink};border-radius:2px;"
    "background:{ink};color:{paper};font-weight:600;text-decoration:none",
    "link": "color:{ink}",
    "foot": "margin:20px 0 0;padding:12px 0 0;border-top:1px solid {ink};color:{ink2};font-size:13px",
}
_TOKEN = re.compile(r"--(\w+):\s*([^;]+);")


@cache
def tokens() -> Mapping[str, str]:
    """Token -> value, from the first block of the sheet, which is light mode."""
    sheet = (FOLDER / "look.css").read_text(encoding="utf-8")
    return dict(_TOKEN.findall(sheet[sheet.index(":root") : sheet.index("}")]))


@cache
def style(element: str) -> str:
    """The style of an element. Raises KeyError for one that is not in STYLES."""
    return STYLES[element].format_map(tokens())
