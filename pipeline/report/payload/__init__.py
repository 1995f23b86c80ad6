"""Parts of a page in; its bytes out.
In order: `pack` and `printable` (numbers as text), `plotting` (the drawing library), `rendering` (templates).
"""
