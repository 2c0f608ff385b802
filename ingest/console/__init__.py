"""
The console: pages for people, rendered here, usable without scripts and by keyboard.

Promises: a page shows what a route of `ingest.api.routes` answers, by the same permission, from the same
function; it decides nothing of its own. Every word comes from a table (`words/`), in the language of the
reader. A file `*_page.py` with a `router` is found by `every_page.all_pages`.
Leaves to others: what is known (`ingest.api.routes`), who somebody is (`ingest.owners`).
"""
