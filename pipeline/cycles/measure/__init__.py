"""From placed runs to the record: `phases`, `starts`, `measures`."""
