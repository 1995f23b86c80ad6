"""Parts of a page in; its bytes out.
In order: `clock` (times as text), `pack` and `printable` (numbers as text), `plotting` (the drawing library), `rendering` (templates).
"""
