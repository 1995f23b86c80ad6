"""When each run begins: `placing`, by `lagged` lines (`turns`) and by templates; `boundaries` (`steps`, `likelihoods`) by a clamp alone."""
