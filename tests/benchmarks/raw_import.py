"""What `lab import` is compared with: pandas reads the file, sqlite3 inserts its rows unchecked."""

from __future__ import annotations

import sqlite3
import sys

import pandas as pd

file, store = sys.argv[1:]
frame = pd.read_csv(file, dtype=str)
connection = sqlite3.connect(store)
connection.execute("PRAGMA synchronous = EXTRA")
connection.execute("CREATE TABLE IF NOT EXISTS result (sample, nutrient, value, unit, method, lab)")
connection.executemany(
    "INSERT INTO result VALUES (?, ?, ?, ?, ?, ?)", frame.itertuples(index=False, name=None)
)
connection.commit()
connection.close()
