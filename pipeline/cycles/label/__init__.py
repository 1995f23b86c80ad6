"""From segments to phases: by lines, what each speaks against each phase (`moves`, `planes`), the cheapest course in order (`course`), all of it
(`labels`), and whether that is what batch machines do (`plausible`); by a clamp alone (`by_clamp`)."""
