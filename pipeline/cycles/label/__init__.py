"""From segments to phases: what each speaks against each phase (`moves`, `planes`), the cheapest course in order (`course`), the reading of a
lone current that is most plausible (`plausible`), all of it (`labels`)."""
