"""Checks what a script claims against what the findings carry. No Django here.

NOTATION.md tells how figures are written in a script; rules.toml holds the rules.
"""
