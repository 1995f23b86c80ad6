"""Files of a unit in; what the reader understood of them out: the verb `check`.
In order: `understanding` (the data), `terminal_table` (the same as a table).
"""
