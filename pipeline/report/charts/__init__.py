"""Timeline, record and judgement in; what is drawn of them out.
`traces`, `detail` (which samples are drawn), `overlay`, `evidence`, `figures`, `charts`; as SVG without scripts `noscript`
(over `svg`), as pictures for messages `email_charts`.
"""
