"""The store: `tables`, `migrations`, `database` (opens it), `engines` (all that is peculiar to SQLite or PostgreSQL), one `writer`,
`readers`.

Read in this order: `tables`, `packing` (a reading to bytes and back, exactly), `batch` (what is written together), `backlog` (what waits,
and what is dropped when too much waits), `writing` (a batch to rows), `writer` (the one thread that writes), `readers`, `samples`.
"""
