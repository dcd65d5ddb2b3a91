"""What a terminal shows: tables by rich, curves by plotext; plain text when piped.

Everything fits 80 columns, needs no colour (a word says what a colour says) and no character
beyond ASCII. Each screen is a module of its own, so that a board loads no plotting.
"""
