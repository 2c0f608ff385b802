"""
The documents: their pages as Markdown, and what builds a site of them and of what the code says.

Leaves to others: sending the site (`ingest.console.docs_site`).
"""
