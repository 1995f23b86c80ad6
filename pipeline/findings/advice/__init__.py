"""What the rules saw in; causes with probabilities, checks as steps, the next channel, cautions and the verdict out.
In order: `causes` (table: `signatures.toml`), `pattern` (what changed, over all measures), `probabilities`, `because` (sentences),
`next_clip`, `checks` (table: `checks.toml`), `ranking` (all of it together), `cautions`, `verdict`.
"""
