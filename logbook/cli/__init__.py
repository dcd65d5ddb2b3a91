"""Arguments in, text out: a command parses, asks the layers below, and prints."""
