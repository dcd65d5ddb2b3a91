"""The log: immutable entries, their chain and the fold. Standard library only, no I/O."""
