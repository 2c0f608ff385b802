"""
Every query, one noun a file: streams, readings, quarantine, hours, fleet, keys, account.

Promises: the same result on SQLite and PostgreSQL. Functions take a connection, and commit nothing.
Leaves to others: what the rows mean (`ingest.intake.receive`, `ingest.analysis.summarising`), transactions
(`ingest.writer.writer`).
"""
