"""The log: immutable entries, their chain and the fold. No I/O."""
