"""Files of a folder in; units (which files belong together) and the texts in each file out.
In order: `units`, then `decode` (bytes, archives, workbooks to text).
"""
