"""A drop folder in; batches of reports out.
In order: `settling` (when a file may be read), `batch` (one run in a process of its own), `watch` (scan, wait, run, say).
"""
