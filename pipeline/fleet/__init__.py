"""Many units in; their outcomes out, by processes of this machine or on a cluster.
In order: `run` (a folder of units), `spread` (where they are worked on), `processes` or `dask`; `urls` (far folders), `preload`
and `threads` (what a worker loads, and how many threads).
"""
