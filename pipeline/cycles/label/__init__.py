"""From segments to phases: what all channels show of each, told by a network (`shown`), and the cheapest course of phases through it (`labels`,
`course`); the stops of a lone clamp that are harvests (`standing`)."""
