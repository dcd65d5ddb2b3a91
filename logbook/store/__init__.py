"""This machine's SQLite store: the journal and the tables folded from it."""
