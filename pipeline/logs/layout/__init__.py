"""The text of a file in; how it is laid out out: delimiter, header, where the rows begin and end.
In order: `head_rows` (labels and units over the rows), `dialect` (delimited text), `width` (rows that grow a cell), `day_columns`, `fixed_width` (columns of
blanks), `preamble` (what stands above the header).
"""
