"""What was found in; the page of a unit out.
`page` puts together: `client_summary` (its top), `finding_view`, `unjudged`, `method`, `days`, `trend`, `running`, `flags`,
`control_limits`.
"""
