"""What the rules saw in; likely causes, next checks, cautions and the verdict out.
In order: `causes` and `checks` (tables), `ranking` (which cause first), `cautions`, `verdict`.
"""
