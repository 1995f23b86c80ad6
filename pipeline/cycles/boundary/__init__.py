"""When each run begins: `placing`, by templates (`weighing`) and by what a clamp shows of stops (`boundaries`)."""
