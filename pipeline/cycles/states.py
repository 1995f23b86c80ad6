"""The phases as the search numbers them."""

FREEZE, HARVEST, IDLE = 0, 1, 2
