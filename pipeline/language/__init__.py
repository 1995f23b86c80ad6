"""All that is said to people. `text`: a sentence with its key and values, and how values are shown; `catalogue`: the
languages, a file each.
"""
