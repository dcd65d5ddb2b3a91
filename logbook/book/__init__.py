"""The write side: opening the store as this machine's writer, acts, corrections, undo."""
