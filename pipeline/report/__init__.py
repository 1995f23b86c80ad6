"""The last room before delivery: pages, charts and machine files of what was found.

`writing` writes everything of one unit, `fleet` the pages over all of them, `compare` the page of two logs held against each other;
`payload`, `numbers`, `charts` and `page` are their parts. Loaded on first use: a run that only reads and judges never imports the templates.
"""
