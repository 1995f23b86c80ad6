"""The text of a file in; how it is laid out out: delimiter, header, where the rows begin and end.
In order: `dialect` (delimited text), `fixed_width` (columns of blanks), `preamble` (what stands above the header).
"""
