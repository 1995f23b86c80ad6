"""Channels as the search takes them: `signals` (usable samples, cells of about ten seconds), `sparse` (a logger that writes changes only),
`features` (level and slope a cell), `windows` (reductions over many stretches at once)."""
