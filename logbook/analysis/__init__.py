"""The science: numbers in, numbers out. Knows no store and draws nothing.

`series` turns bed results into differences against the control, `kinetics` holds the curve shapes,
`fitting` fits them. Nothing is imported here, so that a command pays only for what it uses.
"""
