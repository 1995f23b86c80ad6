"""What was found in; the pages of a unit out.
`page` puts the technician's together: `at_a_glance` (its top), `finding_view`, `method`, `trend`, `running`.
"""
