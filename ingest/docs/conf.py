"""Settings of the builder (Sphinx). Nothing is computed here; what goes in says `ingest.docs.gathering`."""

from importlib.metadata import version as _version_of

project = "cleanside"
release = version = _version_of("cleanside")
language = "en"

extensions = ["myst_parser"]
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 3  # a link to a heading names it as GitHub does
templates_path = ["templates"]
exclude_patterns = ["templates"]

smartquotes = False  # it would make one dash of the two of a flag
html_theme = "furo"
html_title = f"cleanside {release}"
html_static_path = ["look"]
html_css_files = ["docs.css"]
html_favicon = "look/mark.svg"
html_copy_source = False
html_show_sphinx = False
html_use_index = False  # pages have no index entries; the search finds words
pygments_style = pygments_dark_style = "bw"  # ink alone; `docs.css` sets it
