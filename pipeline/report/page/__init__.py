"""What was found in; the pages of a unit out.
`page` puts the technician's together: `client_summary` (its top), `finding_view`, `method`, `trend`, `running`.
"""
