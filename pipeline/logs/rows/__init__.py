"""Text and its layout in; columns of numbers, and of clock cells as text, out.
In order: `row_spans` (rows without repeated headers), `columns` (parsed by Arrow), `numbers` (what their cells hold); all over `column_blocks` and `per_column`.
"""
