"""Reports that lie ready in; messages, each sent once, out.
In order: `parcels`, `clients`, `ledger`, `outstanding`, `message` (`letter` says it), `post` with `dispatch`
over `server`; `addresses` guards every name that enters a head.
"""
