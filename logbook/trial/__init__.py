"""The vocabulary of an amendment trial: standard library only, no input or output."""
