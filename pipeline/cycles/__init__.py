"""Timeline → change points → phases → cycles and their measures."""
